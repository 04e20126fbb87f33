"""From a book to one estimate of its season.

Where a thing is
----------------
`records`            the book as arrays: weighings, air, what is known of the start
`shelf`              the air that each piece is in, day by day
`effects`            what varies by season, species, seal, log and piece: the linear algebra
`season`             the estimator: to the mode, and draws about it
`weights`            which laws, and how much of each
`linear`             single pieces under linear laws, all at once
`fitting`            `fit_drying`, `rank_laws`
`results`            `DryingFits` and its frames
`checks`             whether a fit can be trusted
"""
