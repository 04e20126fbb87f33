"""Batch fit of single pieces under the linear drying laws, all pieces at once, NumPy only."""

from woodlab.drying.linear.estimate import LinearFits, fit_linear
from woodlab.drying.linear.pieces import Pieces

__all__ = ["LinearFits", "Pieces", "fit_linear"]
