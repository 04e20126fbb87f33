"""Batch fit of single pieces under the linear drying laws, all pieces at once, NumPy only.

Where a thing is:

    laws       what each law says: rates and weights of its modes, their slopes, bounds, starts
    course     daily air, and what modes of any rate make of it
    search     variable projection: the model, its linear part, the descent
    estimate   rows in, estimates out: `fit_linear`
    limits     profile-likelihood limits: `profile`
"""

from woodlab.drying.linear.course import Course
from woodlab.drying.linear.estimate import LinearEstimates, PieceRows, fit_linear
from woodlab.drying.linear.laws import LAWS, LinearLaw
from woodlab.drying.linear.limits import profile

__all__ = ["LAWS", "Course", "LinearEstimates", "LinearLaw", "PieceRows", "fit_linear", "profile"]
