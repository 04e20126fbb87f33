"""Drying: the laws, one fit of a season, forecasts, seasons of known truth.

Where a thing is
----------------
`laws/`              the drying laws, one file each
`kernel`             the one compiled kernel of the slab family
`modes`              plane sheets and sums of first-order modes, in closed form
`fit/`               from a book to one estimate of its season
`forecast/`          when pieces will be dry enough
`air_course`         the air log by day
`future_air`         the air after the log, as draws
`warmth`             how much faster wood dries on a warm day
`green`              moisture of green wood by the species table
`core_surface`       the core-to-surface difference of each piece
`simulate`           seasons of known truth
`weather`            invented weather for them
"""
