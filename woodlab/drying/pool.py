"""Pooling a season: what the pieces of a species, a seal and a log tell about one another.

`pool_season` is what `fit_drying(..., pool=True)` calls. The model and the way it is fitted stand
in `woodlab.drying.posterior`, the laws that can be pooled in `woodlab.drying.pool_model`. A piece
with many weighings keeps its own curve; one with few is drawn toward its species, seal and log.
"""

from __future__ import annotations

from concurrent.futures import Executor

import numpy as np
import pandas as pd

from woodlab.book.record_book import RecordBook
from woodlab.drying import pool_kernels as kernels
from woodlab.drying.air_course import AirCourse, air_course
from woodlab.drying.pool_model import POOLED_LAWS, UNKNOWN_AIR_PCT, Priors, pack
from woodlab.drying.posterior import Posterior, sample
from woodlab.drying.results import DryingFits
from woodlab.drying.sampler import group_means
from woodlab.drying.season_mode import STEP_G, noise_root
from woodlab.errors import WoodlabError

SECONDS = 86400.0
DRAWS = 400
LASTING_PCT = 0.5  # a departure this large, for weeks: the law is not that of these pieces
_Z95 = (0.025, 0.975)


def pool_season(
    book: RecordBook,
    law: str = "slab",
    *,
    executor: Executor | None = None,
    progress: bool | None = None,
    draws: int = DRAWS,
    seed: int = 0,
    priors: Priors | None = None,
) -> DryingFits:
    """Fit one law to all pieces of a season at once.

    Parameters
    ----------
    book : RecordBook
    law : str
        `film`, `slab`, `diffusion`, `two_period` or `exponential`.
    executor, progress
        Not needed: a season is one fit, in threads of this process, of seconds.
    draws, seed : int
        Posterior draws kept in `fits.draws`, and where the random numbers begin.
    priors : Priors, optional

    Returns
    -------
    DryingFits
        With `groups`: `kind` (`season`, `species`, `seal`, `component`, `error`), `group`,
        `parameter`, `estimate`, `ci_lower`, `ci_upper` (95 %), `unit`, `n_pieces`, `n_logs`.

    Raises
    ------
    WoodlabError
        If the law cannot be pooled, or the book has no pieces.

    Examples
    --------
    >>> from woodlab.demo import demo_book
    >>> fits = pool_season(demo_book().until("2025-04-01"), "film", draws=100)
    >>> bool((fits.pieces["status"] == "ok").all()), "seal" in set(fits.groups["kind"])
    (True, True)
    """
    if law not in POOLED_LAWS or law == "open_slab":
        able = [name for name in POOLED_LAWS if name != "open_slab"]
        raise WoodlabError(
            f"The law {law!r} cannot be pooled: its parameters say nothing about another wall or "
            f"seal. Choose from: {', '.join(able)}."
        )
    data = pack(book)
    post = sample(data, POOLED_LAWS[law], draws=draws, seed=seed, priors=priors)
    return as_fits(book, post)


def as_fits(book: RecordBook, post: Posterior) -> DryingFits:
    """The frames of `DryingFits` from a posterior."""
    data, law = post.data, post.law.name
    course = air_course(book.air) if len(book.air) else None
    names, working = _working(post, course is None)
    weighed = data.counts > 0
    working[~weighed] = np.nan
    mean = working.mean(axis=1)
    gone = working - mean[:, None, :]
    cov = np.einsum("ndi,ndj->nij", gone, gone) / working.shape[1]
    level = np.full(data.n, np.nan) if course is not None else mean[:, -1]
    used = _used(post)
    fixed = {}
    for j, name in ((kernels.RISE, "rise_per_pct"), (kernels.SATURATION, "fibre_saturation_pct")):
        if law == "slab":
            fixed[name] = float(post.params[:, :, j].mean())
    if law == "two_period":
        fixed["critical_pct"] = float(post.params[:, :, kernels.SATURATION].mean())
    intervals = _intervals(post, names, working, weighed)
    mode = post.mode
    sigma = np.sqrt(
        data.scale_g[:, 0] ** 2 / 12 + mode.slip_g**2
        + (mode.drift_pct / 100 * np.exp(mode.ln_dry)) ** 2
    )  # fmt: skip
    return DryingFits(
        law=law, pieces=_pieces(post, intervals, used, sigma, weighed, course),
        names=names, mean=mean, cov=cov, book=book, rows=data.rows, used=used,
        sigma_g=np.where(weighed, sigma, np.nan),
        dof=np.where(weighed, max(float(data.counts.sum() - 2 * data.n), 1.0), np.nan),
        fixed=fixed, course=course, equilibrium_pct=level, step_g=_steps(post),
        intervals=intervals, groups=group_frame(post), draws=working,
    )  # fmt: skip


def _working(post: Posterior, free_air: bool) -> tuple[tuple[str, ...], np.ndarray]:
    """Names and draws (n, d, p) of the working values of `DryingFits`."""
    data, law = post.data, post.law
    columns, names = [], []
    if law.inner:
        names.append("diffusivity_m2_s")
        columns.append(post.params[:, :, kernels.LN_D])
    if law.surface and law.inner:
        names.append("surface_m_s")
        columns.append(post.params[:, :, kernels.LN_S])
    elif law.surface:
        names.append("tau_days")
        columns.append(np.log(data.half_m / SECONDS)[:, None] - post.params[:, :, kernels.LN_S])
    columns.append(post.ln_dry)
    columns.append(np.exp(post.params[:, :, kernels.LN_START]))
    shift = post.params[:, :, kernels.AIR_SHIFT]
    columns.append(UNKNOWN_AIR_PCT + shift if free_air else np.zeros_like(shift))
    return (*names, "oven_dry_g", "start_moisture_pct", "equilibrium_pct"), np.stack(columns, 2)


def _used(post: Posterior) -> np.ndarray:
    """Weighings that still count, in the order of `rows`."""
    data = post.data
    here = np.arange(data.days.shape[1])[None, :] < data.counts[:, None]
    return (post.mode.weight > 0.02)[here]


def _intervals(
    post: Posterior, names: tuple[str, ...], working: np.ndarray, weighed: np.ndarray
) -> dict[str, dict[str, np.ndarray]]:
    values = {}
    for j, name in enumerate(names[:-1]):
        plain = name == "start_moisture_pct"
        values[name] = working[:, :, j] if plain else np.exp(working[:, :, j])
    if "surface_m_s" in values:
        values["biot"] = (
            values["surface_m_s"] * post.data.half_m[:, None] / values["diffusivity_m2_s"]
        )
    out = {}
    for name, draw in values.items():
        low, high = np.full(post.data.n, np.nan), np.full(post.data.n, np.nan)
        middle, sd = low.copy(), low.copy()
        some = draw[weighed]
        if some.size:
            low[weighed], middle[weighed], high[weighed] = np.quantile(
                some, (_Z95[0], 0.5, _Z95[1]), axis=1
            )
            sd[weighed] = some.std(axis=1)
        out[name] = {
            "estimate": middle, "stderr": sd, "ci_lower": low, "ci_upper": high,
            "open": np.zeros((post.data.n, 2), dtype=bool),
        }  # fmt: skip
    return out


def _pieces(
    post: Posterior, intervals: dict[str, dict[str, np.ndarray]], used: np.ndarray,
    sigma: np.ndarray, weighed: np.ndarray, course: AirCourse | None,
) -> pd.DataFrame:  # fmt: skip
    data = post.data
    owner = np.repeat(np.arange(data.n), data.counts)
    n_used = np.bincount(owner, used, data.n).astype(int)
    here = np.arange(data.days.shape[1])[None, :] < data.counts[:, None]
    dry = np.exp(post.mode.ln_dry)[:, None]
    left = np.where(here, data.net_g - dry * (1 + post.fitted / 100), 0.0)
    keep = here & (post.mode.weight > 0.02)
    with np.errstate(invalid="ignore", divide="ignore"):
        rmse = np.sqrt((left**2 * keep).sum(axis=1) / keep.sum(axis=1))
    columns: dict[str, object] = {
        "piece": data.pieces["piece"].to_numpy(),
        "law": np.full(data.n, post.law.name, dtype=object),
        "status": np.where(weighed, "ok", "too_few"),
        "reason": _reasons(post, n_used, weighed),
        "n_used": np.where(weighed, n_used, 0),
        "n_set_aside": np.where(weighed, data.counts - n_used, 0),
    }
    for name, parts in intervals.items():
        columns[name] = parts["estimate"]
    columns["rmse_g"] = np.where(weighed, rmse, np.nan)
    columns["error_g"] = np.where(weighed, sigma, np.nan)
    columns["aicc"] = np.full(data.n, np.nan)
    own, logs = set(data.own_offcuts[0].tolist()), set(data.log_offcuts[0].tolist())
    rests = [
        "own offcuts" if p in own else
        "offcuts of the log" if int(data.of_log[p]) in logs else "species table"
        for p in range(data.n)
    ]  # fmt: skip
    columns["oven_dry_from"] = np.where(
        weighed, "weighings, the season and " + np.array(rests, dtype=object), ""
    )
    columns["air_from"] = np.full(data.n, "assumed", dtype=object)
    if course is not None:
        last = post.data.pieces["turned_on"] + pd.to_timedelta(data.days.max(axis=1), unit="D")
        columns["air_from"] = course.source(
            data.pieces["turned_on"], data.pieces["place"], last.max()
        )
    return pd.DataFrame(columns)


def lent_share(post: Posterior) -> np.ndarray:
    """Share of what is known of a piece's drying that its group lends it, (n,): 0 own, 1 group.

    The posterior variance of the piece's own effect over its variance component, the larger of
    diffusivity and surface coefficient where both are free.
    """
    share = np.zeros(post.data.n)
    if post.effects.shape[0] < 2:
        return share
    means = group_means(post.layout, post.effects)
    for on, at, component, column in (
        (post.law.surface, kernels.LN_S, 3, 1), (post.law.inner, kernels.LN_D, 1, 0),
    ):  # fmt: skip
        if on:
            own = post.params[:, :, at] - means[:, :, column].T
            ratio = own.var(axis=1) / (post.sds[:, component] ** 2).mean()
            share = ratio if not share.any() else np.minimum(share, ratio)
    return np.clip(share, 0.0, 1.0)


def _reasons(post: Posterior, n_used: np.ndarray, weighed: np.ndarray) -> np.ndarray:
    data = post.data
    lent = lent_share(post)
    out = np.full(data.n, "", dtype=object)
    strange = post.mode.drift_pct > LASTING_PCT
    for p in range(data.n):
        said = []
        if strange and weighed[p]:
            said.append(
                f"the law {post.law.name} leaves this season's weights by about "
                f"{post.mode.drift_pct:g} points of moisture for weeks: its figures may be off by "
                "more than their intervals; rank_laws tells which law follows better"
            )
        if not weighed[p]:
            said.append("no weighing since it was turned: its curve is that of its group")
        elif lent[p] > 0.5:
            group = f"{data.species[data.of_species[p]]}, {data.seals[data.of_seal[p]]}"
            count = int(data.counts[p])
            said.append(
                f"{count} weighing{'' if count == 1 else 's'} tell{'s' if count == 1 else ''} "
                f"little yet: drawn toward its group ({group})"
            )
        aside = int(data.counts[p] - n_used[p])
        if weighed[p] and aside:
            said.append(f"{aside} weighing{'s' if aside > 1 else ''} far from the others set aside")
        out[p] = "; ".join(said)
    return out


def _steps(post: Posterior) -> np.ndarray:
    """Step [g] and its standard error of each event, given the curve at the mode."""
    data, mode = post.data, post.mode
    out = np.zeros((len(data.steps), 2))
    if not data.steps:
        return out
    from dataclasses import replace

    bare = replace(data, steps=())
    dry = np.exp(mode.ln_dry)
    root = noise_root(bare, dry, mode.slip_g, mode.drift_pct, mode.weight)
    for p in {piece for piece, _, _ in data.steps}:
        mine = [i for i, (piece, _, _) in enumerate(data.steps) if piece == p]
        k = int(data.counts[p])
        shapes = np.column_stack([data.steps[i][2] for i in mine])
        left = data.net_g[p, :k] - dry[p] * (1 + post.fitted[p, :k] / 100)
        x, y = root[p, :k, :k] @ shapes, root[p, :k, :k] @ left
        precision = x.T @ x + np.eye(len(mine)) / STEP_G**2
        out[mine, 0] = np.linalg.solve(precision, x.T @ y)
        out[mine, 1] = np.sqrt(np.diagonal(np.linalg.inv(precision)))
    return out


def group_frame(post: Posterior) -> pd.DataFrame:
    """Estimates of species, seals and common parameters, and the variance components."""
    data, lay = post.data, post.layout
    rows: list[tuple[object, ...]] = []

    def add(kind: str, group: str, parameter: str, draw: np.ndarray, unit: str, mine: np.ndarray
            ) -> None:  # fmt: skip
        low, middle, high = np.quantile(draw, (_Z95[0], 0.5, _Z95[1]))
        logs = len(np.unique(data.of_log[mine]))
        rows.append((kind, group, parameter, middle, low, high, unit, int(mine.sum()), logs))

    everyone = np.ones(data.n, dtype=bool)
    at = {pair: i for i, pair in enumerate(lay.names)}
    for i, name in enumerate(data.species):
        mine = data.of_species == i
        if post.law.inner:
            ln = post.effects[:, 0] + post.effects[:, at[name, "species, ln diffusivity"]]
            add("species", name, "diffusivity_m2_s", np.exp(ln), "m2/s", mine)
        green = post.effects[:, at[name, "species, ln start moisture"]]
        add("species", name, "start_moisture_pct", np.exp(green), "%", mine)
    if post.law.surface:
        for i, name in enumerate(data.seals):
            ln = post.effects[:, at[name, "seal, ln surface"]]
            add("seal", name, "surface_m_s", np.exp(ln), "m/s", data.of_seal == i)
    common = (
        (kernels.RISE, "rise_per_pct", "1/%", post.law.rise),
        (kernels.SATURATION, "fibre_saturation_pct", "%", post.law.capped or post.law.rise),
        (kernels.AIR_SHIFT, "air_shift_pct", "%", True),
    )
    for j, parameter, unit, on in common:
        if on:
            add("season", "all", parameter, post.params[0, :, j], unit, everyone)
    for j, (name, _, _) in enumerate(Priors().components):
        on = (post.law.inner or "diffusivity" not in name) and (
            post.law.surface or "surface" not in name
        )
        if on:
            group, what = name.split(", ")
            add("component", group, f"sd of {what}", post.sds[:, j], "1", everyone)
    frame = pd.DataFrame(
        rows,
        columns=["kind", "group", "parameter", "estimate", "ci_lower", "ci_upper", "unit",
                 "n_pieces", "n_logs"],
    )  # fmt: skip
    error = pd.DataFrame(
        {
            "kind": "error", "group": "all", "parameter": ["slip_g", "drift_pct"],
            "estimate": [post.mode.slip_g, post.mode.drift_pct], "ci_lower": np.nan,
            "ci_upper": np.nan, "unit": ["g", "%"], "n_pieces": data.n,
            "n_logs": len(data.logs),
        }
    )  # fmt: skip
    return pd.concat([frame, error], ignore_index=True)
