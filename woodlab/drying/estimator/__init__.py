"""A season's estimate under one law, and the weights of several.

Where a thing is
----------------
`effects`            what varies by season, species, seal, log and piece: the linear algebra
`model`              what a season estimates under one law
`curves`             its curves and their slopes
`weighing_error`     the error of a weighing, and what the weighings say
`mode`               where an estimator is
`season`             the estimator: to the mode, what is shared tempered
`scale_step`         a day from which all weights are those of another scale
`posterior`          draws about it, and every curve asked of them
`courses`            the air of every draw
`weights`            which laws, and how much of each
"""
