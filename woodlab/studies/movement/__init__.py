"""How far rims moved, what wall to leave, and when the wood has stopped."""
