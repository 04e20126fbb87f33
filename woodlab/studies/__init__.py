"""The questions of a season: sealing, cracks, movement, the next trial.

Where a thing is; the first of each line is where a study begins:

    sealing          sealing/: swap, effects, study, words
    cracks           cracks/: study, intervals, counts, design, likelihood, penalised, hazard,
                     risk, words
    movement         movement/: movement, rim_rows, walls; geometry and the wall to leave:
                     rim_geometry, bowl_shape, least_rough, rough_wall
    next season      next_season/: trial_plan, trial_power, scatter; printing
    for several      columns, confounding, export, cautions
"""
