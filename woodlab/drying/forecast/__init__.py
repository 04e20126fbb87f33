"""When pieces will be dry enough: read from the season's one fit.

Where a thing is
----------------
`passage`            every draw run on into the future: moisture now, day of passing the target
`ready`              `forecast_ready`
`cracks`             what is known of each piece's cracks
`lists`              `steady_weight`, `ready_by_week`, `past_forecasts`
`curves`             `forecast_curves`
"""
