"""The commands of `woodlab`: each module puts its own on the command line and runs them.

Where a thing is
----------------
`records`   check, blank, from-sheet, share, demo
`week`      ready, round, add
`season`    season
"""
