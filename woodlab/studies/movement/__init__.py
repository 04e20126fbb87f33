"""How far rims moved, what wall to leave, and when the wood has stopped.

Where a thing is
----------------
`movement`           `movement_study`: rims of a book against the species table
`rim_rows`           each measured rim, what is expected of it, and its moisture from the fits
`rim_course`         the share of the movement done, and when it settles
`movement_words`     what the study says
`own_walls`          finished bowls: did the rough wall suffice?
`rim_geometry`       the exact map of a drying wedge of log: `dried_rim`
`bowl_shape`         the bowl as a solid, green and dried
`rough_wall`         the wall to leave; `least_rough`: the geometry of it
`wall_window`        between too thin to true up and too thick not to crack
"""
