"""The plan of the next season's trial.

Where a thing is
----------------
`trial_plan`         seals allotted by lot inside each log
`trial_power`        how many logs a trial needs
`scatter`            what varies in a season: stated, or read from the fits of a past one
`printing`           tables on paper
"""
