"""A day from which all weights jump together: another scale, or one that was set anew.

Nobody may have noted it, and it moves every date: half a percent of a bowl's weight is half a
point of moisture. One common gain from a day on is held against the weighings, each piece's own
numbers free to answer it; twice what that gains in ln likelihood is the day's score. A law that is
wrong makes scores, too, but slowly: the first weights after the day must show the step by
themselves. Only where the air was logged: without a log a wet week moves all pieces together.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd

from woodlab import words
from woodlab.drying.estimator.mode import Mode
from woodlab.drying.estimator.season import Season
from woodlab.drying.estimator.weighing_error import whitener
from woodlab.drying.fit.records import Records

LEAST_SCORE, LEAST_JUMP = 45.0, 0.0018  # tuned: see docs/calibration.md
SOON_DAYS = 10  # a piece's first weight after the day, if it was weighed so soon
STEP_SD = 0.005  # of a gain that nobody named
MOST_PIECES = 120  # that are asked: more cost time and change little
FEWEST_PIECES = 4  # one that jumps alone has lost some wax, or is another bowl
FEWEST_DAYS = 2  # with weighings, before the step and after it
_DAY = np.timedelta64(1, "D")


def scale_step(season: Season, mode: Mode) -> np.datetime64 | None:
    """The first day of other weights, or None where no day stands out."""
    d = season.d
    several = d.weighed[: d.n_pieces].sum() >= FEWEST_PIECES
    if d.scales or not season.groups or not d.shelf.has_air or not several:
        return None
    day, score, jump = best_day(season, mode)
    found = score >= LEAST_SCORE and abs(jump) >= LEAST_JUMP
    return d.shelf.first_day + int(day) * _DAY if found else None


def best_day(season: Season, mode: Mode) -> tuple[float, float, float]:
    """The day of the largest score, counted from the first of the records, that score, and the
    gain that the first weights after the day show by themselves."""
    d, q = season.d, len(season.local)
    pick = np.argsort(-d.counts[: d.n_pieces], kind="stable")[:MOST_PIECES]
    linear = season.linearised(mode, season.slopes(mode.u, season.kappa(mode.beta)))
    weighed = (d.here & ~d.is_moisture)[pick]
    root = whitener(d, mode, pick)
    residual = np.einsum("nij,nj->ni", root, linear.residual[pick])
    own = root @ linear.slopes[pick][..., : q + 1]
    inner = own.transpose(0, 2, 1) @ own
    at = np.arange(q)
    inner[:, at, at] += season.system.precision(mode.sds)[pick]
    inner[:, q, q] += 1e-9
    inverse = np.linalg.inv(inner)
    mass = np.where(weighed, d.mass_g[pick] - linear.residual[pick], 0.0)
    when = np.floor(d.shelf.start[pick, None] + d.days[pick])
    when = np.where(weighed, when, np.inf)
    rows, best = np.arange(len(pick)), (0.0, 0.0, 0.0)
    for day in np.unique(when[weighed])[FEWEST_DAYS:-FEWEST_DAYS]:
        heavier = np.einsum("nij,nj->ni", root, mass * (when >= day))
        answer = np.einsum("nij,nkj,nk->ni", inverse, own, heavier)
        left = heavier - np.einsum("nki,ni->nk", own, answer)
        score = (left * residual).sum() ** 2 / ((left * heavier).sum() + 1 / STEP_SD**2)
        if score > best[1]:
            # whitened in order of time, a row is what the weights before it do not say
            first = (when >= day).argmax(axis=1)
            soon = (first > 0) & (when[rows, first] < day + SOON_DAYS)
            of = rows[soon], first[soon]
            jump = (heavier[of] * residual[of]).sum() / max((heavier[of] ** 2).sum(), 1e-9)
            best = float(day), float(score), float(jump)
    return best


def on_two_scales(records: Records, day: np.datetime64) -> Records:
    """The records with one scale up to a day and another from it on."""
    since = records.shelf.start[:, None] + records.days >= (day - records.shelf.first_day) / _DAY
    named = words.day(pd.Timestamp(day))
    weighed = records.here & ~records.is_moisture
    weighed[records.n_pieces :] = False  # a block of known mass has a scale of its own
    scale_of = np.where(weighed, since, -1).astype(records.scale_of.dtype)
    return replace(records, scales=(f"before {named}", f"from {named}"), scale_of=scale_of,
                   step_on=day)  # fmt: skip
