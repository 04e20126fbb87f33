"""Moisture inside a wall by the season's fit: the one place of the pages that runs a law."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from woodlab.drying.kernel import cell_depths
from woodlab.drying.laws import LAWS
from woodlab.drying.laws.law import kernel_run
from woodlab.drying.modes import DailyAir

if TYPE_CHECKING:
    from woodlab.drying.fit.results import DryingFits

DAYS = (7, 28, 56, 84)
COLUMNS = [
    "seal", "on", "depth_mm", "moisture_pct", "species", "wall_mm", "turned_on",
    "target_moisture_pct",
]  # fmt: skip


def law_of_most_weight(fits: DryingFits) -> str:
    return str(fits.laws.sort_values("weight")["law"].iloc[-1])


def wall_profiles(fits: DryingFits, bowls: pd.DataFrame, air: pd.DataFrame) -> pd.DataFrame:
    """Moisture from face to face of the commonest wood, bare and under the tightest seal.

    Parameters
    ----------
    fits : DryingFits
        The law of most weight is run on the medians of its draws.
    bowls : DataFrame
        `piece`, `species`, `seal`, `wall_mm`, `turned_on`, `target_moisture_pct`.
    air : DataFrame
        `on`, `moisture_pct`: what each day's air would bring the wood to.

    Returns
    -------
    DataFrame
        `seal`, `on`, `depth_mm` [mm], `moisture_pct` [%], and `species`, `wall_mm`, `turned_on`,
        `target_moisture_pct`; empty where the law has no inside or the air log is too short.
    """
    none = pd.DataFrame(columns=COLUMNS)
    name, species = law_of_most_weight(fits), bowls["species"].mode()
    law = LAWS.get(name)
    if law is None or law.kernel_columns is None or not len(species):
        return none
    wood = str(species.iloc[0])
    own = bowls[(bowls["species"] == wood) & bowls["wall_mm"].notna()]
    params = fits.params[fits.params["law"] == name].merge(own[["piece", "seal"]], on="piece")
    by_seal = params.groupby(["seal", "parameter"])["estimate"].median().unstack()
    if "none" not in by_seal.index or "surface_m_s" not in by_seal or len(by_seal) < 2:
        return none
    two = by_seal.loc[["none", by_seal["surface_m_s"].idxmin()]]
    wall, turned = float(round(own["wall_mm"].median())), own["turned_on"].median().normalize()
    daily = air[air["on"] >= turned].set_index("on")["moisture_pct"].resample("D").mean()
    daily = daily.interpolate()
    if len(daily) < max(DAYS) or two.index.nunique() < 2:
        return none
    season = fits.groups[(fits.groups["kind"] == "season") & (fits.groups["law"] == name)]
    values = {**dict(zip(season["parameter"], season["estimate"], strict=True)),
              **{column: two[column].to_numpy() for column in two}}  # fmt: skip
    known = {"start_moisture_pct", *(p.name for p in law.parameters)} - {"activation_kj_mol"}
    run = kernel_run(
        law, np.tile(DAYS, (2, 1)), {k: v for k, v in values.items() if k in known}, wall,
        DailyAir(daily.to_numpy()), cells=True,
    )  # fmt: skip
    half = cell_depths(wall / 2000, run.cells.shape[2])
    depth = np.concatenate([half, wall - half])  # from either face
    frame = pd.concat(
        pd.DataFrame({"seal": seal, "on": turned + pd.Timedelta(days=day), "depth_mm": depth,
                      "moisture_pct": np.tile(run.cells[i, k], 2)})
        for i, seal in enumerate(two.index) for k, day in enumerate(DAYS)
    ).sort_values(["seal", "on", "depth_mm"], ignore_index=True)  # fmt: skip
    target = float(bowls["target_moisture_pct"].median())
    return frame.assign(species=wood, wall_mm=wall, turned_on=turned, target_moisture_pct=target)
