"""The questions of a season: sealing, cracks, movement, the next trial. Knows `drying`, `book`, `wood`."""
