"""Drying laws, fits, pooling and forecasts. Knows `book` and `wood`.

Where a thing is; data walks down each line from left to right:

    the laws         laws, modes, two_period, slab, and their loops: kernels, slab_kernels
    the air          air_course (as logged), warmth, weather (invented)
    one fit a piece  green, setup, batch, assemble, intervals, reasons, results, fit; what is asked
                     of it: checks, predict, rank, core_surface, oven_dry; its loops:
                     search_kernels, fit_kernels, piece_kernels
    a season pooled  pool_model (data, priors), season_mode, sampler, posterior, pool; its loops:
                     pool_kernels
    the future       air_to_come, law_weights, season_draws, forecast, forecast_curves, ready,
                     ready_numbers
    known truth      simulate
"""
