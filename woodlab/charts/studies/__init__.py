"""Charts of what the studies found: sealing, cracks, movement, next season."""
