"""The drying laws by name, one file a law: each a pure function of time, parameters and the air.

`LAWS["film"].moisture(days, params, wall_mm, air)` gives the mean moisture, (pieces, times); the
conventions of time, moisture and air are in `woodlab.drying.modes`; each law's equation, symbols,
range, source and limits are in its file here and on its page in `docs/laws/`.

Examples
--------
A wall of 25 mm from 60 %, in air that holds wood at 12 %: bare, and behind a seal that lets a
tenth as much through.

>>> import woodlab as wl
>>> film = wl.laws.law_named("film")
>>> wood = {"start_moisture_pct": 60.0, "diffusivity_m2_s": 2e-11, "surface_m_s": [4e-8, 4e-9]}
>>> film.moisture([0, 30, 90], wood, wall_mm=25, air=12).round(1)
array([[60. , 30.9, 16.2],
       [60. , 41.7, 24.5]])
"""

from __future__ import annotations

import importlib
import pkgutil

from woodlab.drying.laws.law import Law, Parameter, Prior, Rows, Scatter, Search
from woodlab.errors import WoodlabError

__all__ = ["LAWS", "Law", "Parameter", "Prior", "Rows", "Scatter", "Search", "law_named"]

# Every module of this folder that defines LAW is a law: adding one is adding a file.
_ORDER = ("exponential", "two_term", "stretched", "diffusion", "film", "two_period", "slab")


def _found() -> dict[str, Law]:
    names = [m.name for m in pkgutil.iter_modules(__path__)]
    names.sort(key=lambda name: (_ORDER.index(name) if name in _ORDER else len(_ORDER), name))
    modules = [importlib.import_module(f"{__name__}.{name}") for name in names]
    laws = [module.LAW for module in modules if hasattr(module, "LAW")]
    return {law.name: law for law in laws}


LAWS: dict[str, Law] = _found()


def law_named(name: str) -> Law:
    """The law of this name.

    Raises
    ------
    WoodlabError
        If there is none; the message lists them.

    Examples
    --------
    >>> [p.name for p in law_named("film").free]
    ['diffusivity_m2_s', 'surface_m_s']
    """
    if name not in LAWS:
        raise WoodlabError(f"There is no drying law {name!r}. Choose from: {', '.join(LAWS)}.")
    return LAWS[name]
