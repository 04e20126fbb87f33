"""Charts: frame in, Altair chart out, nothing computed. The only room that imports Altair.

Examples
--------
>>> import pandas as pd
>>> import woodlab as wl
>>> found = pd.DataFrame({"label": ["white ash"], "estimate": [20.0],
...                       "ci_lower": [8.0], "ci_upper": [42.0]})
>>> wl.charts.interval_chart(found, title="Pieces that cracked [%]").description
'White ash: 20. Pieces that cracked [%] with 95 % intervals: white ash: 20 (8 to 42).'
"""

from __future__ import annotations

import importlib
import sys
from typing import Any

# jsonschema, which Altair loads, parses a grammar of web addresses for 1.2 s of every start, and no
# chart holds one. While it loads, the grammar passes for not installed.
_GRAMMAR = "rfc3987_syntax"
if _GRAMMAR not in sys.modules:
    sys.modules[_GRAMMAR] = None  # type: ignore[assignment]
    importlib.import_module("jsonschema")
    del sys.modules[_GRAMMAR]

# One line a module: the public charts that live in it.
_HOMES: dict[str, list[str]] = {
    "theme": ["use_charts", "themed", "drawn"],
    "saving": ["save_chart"],
    "lists": ["SortableList"],
    "intervals": ["interval_chart"],
    "records": ["weighings_overview", "season_air"],
    "drying": ["drying_curves", "residuals", "ready_curves"],
    "ready": ["ready_list", "ready_dates", "ready_counts", "past_forecasts_chart"],
    "pictures.glance": ["season_at_a_glance"],
    "pictures.life": ["life_of_a_bowl"],
    "pictures.counts": ["cracks_as_counts"],
    "pictures.inside": ["inside_the_wall"],
    "studies.sealing": ["curves_by_seal", "seal_ratios", "weeks_against_cracks", "pairs_by_log"],
    "studies.cracks": [
        "crack_rate_chart", "crack_ratios", "whole_fraction_chart", "risk_by_wall_chart",
        "looks_calendar",
    ],
    "studies.bowls": ["rim_from_above", "bowl_section", "wall_window_chart"],
    "studies.movement": ["measured_and_expected", "shrinkage_estimates", "movement_course"],
    "studies.plan": ["power_chart"],
}  # fmt: skip

_HOME_OF = {name: home for home, names in _HOMES.items() for name in names}
__all__ = sorted(_HOME_OF)


def __getattr__(name: str) -> Any:
    if name in _HOME_OF:
        return getattr(importlib.import_module(f"woodlab.charts.{_HOME_OF[name]}"), name)
    raise AttributeError(f"module 'woodlab.charts' has no attribute {name!r}")


def __dir__() -> list[str]:
    return sorted([*globals(), *__all__])
