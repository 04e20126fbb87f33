"""The week's round, and the plan of the next season's trial.

Where a thing is
----------------
`shop_round`         which pieces to look at and weigh, and what they should weigh
`trial_plan`         seals allotted by lot inside each log
`trial_power`        how many logs a trial needs
`trial_pool`         what varies in a season: read from the fits of a past one, or simulated
`printing`           tables on paper
"""
