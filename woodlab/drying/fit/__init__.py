"""From a book to `DryingFits`, the one estimate of its season.

Where a thing is
----------------
`records`            the book as arrays
`known`              what it says beside its weighings
`shelf`              the air that each piece is in, day by day
`fitting`            `fit_drying`, `rank_laws`
`alone`              single pieces under linear laws, all at once
`results`            `DryingFits`
`frames`             its frames, each made when it is asked for
`predict`            mass and moisture on any day, with bands
`checks`             whether a fit can be trusted
`experience`         what earlier seasons tell of the next
`saving`             fits in one file
"""
