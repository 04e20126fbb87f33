"""Drying: the laws, one fit of a season, forecasts, seasons of known truth.

Where a thing is:

    the laws         laws/ (one file each); kernel (of the slab family), kernel_loop (what of it is
                     compiled), modes (sums of modes), warmth
    the fit          fit/ (from a book to its one estimate); estimator/ (how it is made)
    single pieces    linear/ (linear laws, all pieces at once)
    the air          air_course (the log by day), witness_air (of a place without one), future_air
                     (after it, as draws)
    answers          forecast/ (when pieces will be dry enough), core_surface
    known truth      simulate, weather
    the main job     asked (a question that its pages and notebooks share is answered once)
"""
