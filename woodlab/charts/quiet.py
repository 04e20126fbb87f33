"""A picture, or one quiet line that says why there is none: so that a cell needs no guard."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from woodlab import words
from woodlab.errors import WoodlabError
from woodlab.show import Said


def drawn(chart: Callable[..., Any], *frames: Any, **options: Any) -> Any:
    """The chart of these frames; where there is nothing to draw, the sentence that says why.

    Parameters
    ----------
    chart : function of `wl.charts`
    *frames, **options
        What it takes.

    Returns
    -------
    Chart, or Said

    Examples
    --------
    >>> import pandas as pd
    >>> import woodlab as wl
    >>> empty = pd.DataFrame(columns=["log", "seal", "weeks", "predicted"])
    >>> print(drawn(wl.charts.pairs_by_log, empty).summary())
    No log holds two seals, so nothing can be joined. Seal pieces of one log differently.
    """
    try:
        return chart(*frames, **options)
    except WoodlabError as error:
        return Said((words.opened(str(error)),))
