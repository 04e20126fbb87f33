"""The questions of a season: sealing, cracks, movement, the next trial."""
