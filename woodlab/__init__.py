"""woodlab: how rough-turned bowls dry, and what to learn from a season of them.

The public names load on first use, so that `import woodlab` costs little more than pandas.
"""

from __future__ import annotations

import importlib
from typing import Any

__version__ = "0.1.0"

_HOMES = {
    "woodlab.errors": ["RecordError", "WoodlabError", "MissingTableError", "Fault"],
    "woodlab.wood.species": ["species"],
    "woodlab.wood.humidity": ["equilibrium_moisture"],
    "woodlab.wood.moisture": ["moisture_pct", "oven_dry_g"],
    "woodlab.wood.shrinkage": ["shrinkage"],
    "woodlab.book.record_book": ["RecordBook", "open_book"],
    "woodlab.book.overview": ["book_overview"],
    "woodlab.book.many": ["open_books"],
    "woodlab.book.writing.blank": ["blank_book"],
    "woodlab.book.sheet.reading": ["read_sheet"],
    "woodlab.book.writing.adding": ["add_weighings", "add_looks"],
    "woodlab.drying.fit.fitting": ["fit_drying", "rank_laws"],
    "woodlab.drying.fit.results": ["DryingFits"],
    "woodlab.drying.fit.saving": ["load_fits", "season_fits"],
    "woodlab.drying.core_surface": ["core_to_surface"],
    "woodlab.drying.forecast.ready": ["forecast_ready"],
    "woodlab.drying.forecast.curves": ["forecast_curves"],
    "woodlab.drying.forecast.next_measurements": ["next_measurements"],
    "woodlab.drying.forecast.lists": ["steady_weight", "ready_by_week", "past_forecasts"],
    "woodlab.drying.simulate": ["simulate_season"],
    "woodlab.studies.sealing": ["seal_study"],
    "woodlab.studies.cracks": ["crack_study"],
    "woodlab.week.ready": ["ready_list"],
    "woodlab.week.sharing": ["share_book"],
    "woodlab.studies.movement.movement": ["movement_study"],
    "woodlab.studies.movement.rim_geometry": ["dried_rim"],
    "woodlab.studies.movement.rough_wall": ["rough_wall", "WallMargin"],
    "woodlab.studies.movement.walls": ["wall_window"],
    "woodlab.studies.movement.bowl_shape": ["Bowl", "dried_bowl"],
    "woodlab.studies.next_season.trial_plan": ["trial_plan"],
    "woodlab.studies.next_season.trial_power": ["trial_power"],
    "woodlab.week.shop_round": ["shop_round"],
    "woodlab.round.sheets": ["write_round"],
    "woodlab.round.taking": ["add_round"],
    "woodlab.article.write": ["write_article"],
    "woodlab.article.record": ["read_article"],
    "woodlab.demo": ["demo_book"],
    "woodlab.proof": ["outside_checks"],
    "woodlab.show": ["answer_in"],
    "woodlab.show_table": ["table"],
}

_HOME_OF = {name: home for home, names in _HOMES.items() for name in names}
_MODULES = {"charts": "woodlab.charts", "laws": "woodlab.drying.laws"}

__all__ = sorted([*_HOME_OF, *_MODULES])


def __getattr__(name: str) -> Any:
    if name in _HOME_OF:
        value = getattr(importlib.import_module(_HOME_OF[name]), name)
        globals()[name] = value
        return value
    if name in _MODULES:
        return importlib.import_module(_MODULES[name])
    raise AttributeError(f"module 'woodlab' has no attribute {name!r}")


def __dir__() -> list[str]:
    return sorted([*globals(), *__all__])
