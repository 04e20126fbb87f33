"""From a book to one estimate of its season.

Where a thing is
----------------
`records`            the book as arrays: weighings, air, what is known of the start
`known`              what it says beside its weighings
`shelf`              the air that each piece is in, day by day
`effects`            what varies by season, species, seal, log and piece: the linear algebra
`model`              what a season estimates under one law, and its curves and slopes
`mode`               where an estimator is
`season`             the estimator: to the mode
`posterior`          draws about it, and every curve asked of them
`courses`            the air of every draw
`weights`            which laws, and how much of each
`alone`              single pieces under linear laws, all at once
`predict`            mass and moisture on any day, with bands
`experience`         what earlier seasons tell of the next
`saving`             fits in one file
`fitting`            `fit_drying`, `rank_laws`
`results`            `DryingFits` and its frames
`checks`             whether a fit can be trusted
"""
