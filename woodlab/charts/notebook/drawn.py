"""A chart, or the sentence that stands for it where there is nothing to draw."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from woodlab.errors import WoodlabError
from woodlab.show import Card, Shown


@dataclass(frozen=True, eq=False, repr=False)
class NoChart(Shown):
    """Why there is no chart."""

    why: str

    def card(self) -> Card:
        return Card((self.why,))


def drawn(chart: Callable[..., Any], *what: Any, **options: Any) -> Any:
    """A chart of some results; where it has nothing to draw, a result that says why.

    So a cell of a notebook is one call, whatever the book holds.

    Parameters
    ----------
    chart : function of `wl.charts`
    what, options
        As the chart takes them.

    Returns
    -------
    Altair chart, or a result that shows a sentence.

    Examples
    --------
    >>> import pandas as pd
    >>> import woodlab as wl
    >>> course = pd.DataFrame({"piece": ["A1"], "days": 9, "moisture_pct": 50.0, "share": None})
    >>> drawn(wl.charts.movement_course, course, course)
    Nothing to draw: no rim tells a share of the movement yet. See the column `reason` of the
    course.
    """
    try:
        return chart(*what, **options)
    except WoodlabError as error:
        return NoChart(f"Nothing to draw: {str(error)[:1].lower()}{str(error)[1:]}")
