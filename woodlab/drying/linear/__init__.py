"""Batch fit of single pieces under the linear drying laws, all pieces at once, NumPy only.

Where a thing is:

    pieces     the weighings of many pieces, and what is known of them beforehand
    search     variable projection: the model, its linear part, the descent
    estimate   pieces in, estimates out: `fit_linear`
"""

from woodlab.drying.linear.estimate import LinearFits, fit_linear
from woodlab.drying.linear.pieces import Pieces

__all__ = ["LinearFits", "Pieces", "fit_linear"]
