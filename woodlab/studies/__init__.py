"""The questions of a season: sealing, cracks, movement, the next trial.

Where a thing is; the first of each line is where a study begins:

    sealing          sealing/: swap, effects, terms, study, words
    cracks           cracks/: study, intervals, counts, design, likelihood, penalised, hazard,
                     effects, risk, looking, words
    movement         movement/: movement, rim_rows, rim_course, own_walls; geometry and the wall to
                     leave: rim_geometry, bowl_shape, least_rough, rough_wall, wall_window
    next season      next_season/: trial_plan, trial_power, scatter; printing
    for several      columns, confounding, export, cautions
"""
