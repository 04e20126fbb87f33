"""Moisture inside a wall by the fitted model: the one place of the pages that runs a law."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

import woodlab as wl

if TYPE_CHECKING:
    from woodlab.book.record_book import RecordBook

COLUMNS = [
    "seal", "on", "depth_mm", "moisture_pct", "species", "wall_mm", "turned_on",
    "target_moisture_pct",
]  # fmt: skip
_FREE = ("diffusivity_m2_s", "start_moisture_pct")


def wall_profiles(
    fits: Any, book: RecordBook, bowls: pd.DataFrame, days: Sequence[float]
) -> pd.DataFrame:
    """Moisture from face to face of the commonest wood, bare and under the tightest seal.

    Parameters
    ----------
    fits : DryingFits
        Whose `groups` hold the `slab` law's figures by species and seal.
    book, bowls
        The air, and which wood, wall and day of turning are usual.
    days : sequence of float
        Days after turning [d].

    Returns
    -------
    DataFrame
        `seal`, `on`, `depth_mm` [mm], `moisture_pct` [%], and `species`, `wall_mm`, `turned_on`,
        `target_moisture_pct`; empty where the fit or the air cannot tell.
    """
    none = pd.DataFrame(columns=COLUMNS)
    figures = _figures(fits)
    surface = {g: v for (g, name), v in figures.items() if name == "surface_m_s"}
    species = bowls["species"].mode()
    if "none" not in surface or len(surface) < 2 or not len(species):
        return none
    wood, seals = str(species.iloc[0]), ["none", min(surface, key=lambda s: surface[s])]
    if any((wood, name) not in figures for name in _FREE):
        return none
    own = bowls[bowls["species"] == wood]
    wall, turned = float(round(own["wall_mm"].median())), own["turned_on"].median().normalize()
    air = _daily(book, turned, max(days))
    if air is None:
        return none
    run = _run(figures, wood, [surface[seal] for seal in seals], wall, air, days)
    rows = [
        (seal, turned + pd.Timedelta(days=day), float(x), float(m))
        for i, seal in enumerate(seals)
        for k, day in enumerate(days)
        for side in (run.depth_mm[i], wall - run.depth_mm[i])
        for x, m in zip(side, run.profile_pct[i, k], strict=True)
    ]
    frame = pd.DataFrame(rows, columns=COLUMNS[:4]).sort_values(["seal", "on", "depth_mm"])
    target = float(bowls["target_moisture_pct"].median())
    return frame.assign(species=wood, wall_mm=wall, turned_on=turned, target_moisture_pct=target)


def _figures(fits: Any) -> dict[tuple[str, str], float]:
    groups = getattr(fits, "groups", None)
    if groups is None or not len(groups) or "slab" not in set(_laws(fits)):
        return {}
    if "law" in groups:
        groups = groups[groups["law"] == "slab"]
    return {
        (str(g), str(name)): float(v)
        for g, name, v in zip(groups["group"], groups["parameter"], groups["estimate"], strict=True)
        if np.isfinite(v)
    }


def _laws(fits: Any) -> list[str]:
    laws = getattr(fits, "laws", None)
    named = list(laws["law"]) if laws is not None and "law" in laws else []
    return [*named, str(getattr(fits, "law", ""))]


def _daily(book: RecordBook, turned: pd.Timestamp, days: float) -> np.ndarray | None:
    """The moisture that each day's air would bring the wood to, from turning on."""
    air = book.air[book.air["on"] >= turned].dropna(subset=["temp_c", "rh_pct"])
    daily = air.groupby(air["on"].dt.normalize())[["temp_c", "rh_pct"]].mean()
    if len(daily) < days:
        return None
    daily = daily.resample("D").mean().interpolate()
    return np.asarray(
        wl.equilibrium_moisture(daily["temp_c"].to_numpy(), daily["rh_pct"].to_numpy()), float
    )


def _run(
    figures: dict[tuple[str, str], float], wood: str, surface: list[float], wall: float,
    air: np.ndarray, days: Sequence[float],
) -> Any:  # fmt: skip
    from woodlab.drying.modes import DailyAir
    from woodlab.drying.slab import run_slab

    n = len(surface)
    params: dict[str, Any] = {name: np.full(n, figures[wood, name]) for name in _FREE}
    params["surface_m_s"] = np.array(surface)
    for name in ("rise_per_pct", "fibre_saturation_pct"):
        value = figures.get(("all", name))
        if value is not None:
            params[name] = value
    asked = np.tile(np.array(days, float), (n, 1))
    courses = DailyAir(np.tile(air, (n, 1)), 0.0, np.arange(n))
    return run_slab(asked, params, wall, courses, cells=40, profile=True)
