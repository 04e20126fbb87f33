"""`fit_drying`: one estimate of a season; `rank_laws`: which law predicts it best."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd
from threadpoolctl import threadpool_limits

from woodlab.book.record_book import RecordBook, expect_book
from woodlab.drying.estimator.posterior import Posterior, draw
from woodlab.drying.estimator.scale_step import on_two_scales, scale_step
from woodlab.drying.estimator.season import Season
from woodlab.drying.estimator.weights import candidates, unweighed, weigh_laws
from woodlab.drying.fit.alone import fit_alone
from woodlab.drying.fit.experience import as_experience
from woodlab.drying.fit.records import Records, read_records
from woodlab.drying.fit.results import DryingFits
from woodlab.drying.future_air import future_air
from woodlab.drying.laws import LAWS, Law, law_named
from woodlab.drying.witness_air import store_air
from woodlab.errors import WoodlabError, as_seed, kind_of

HORIZON_DAYS = 800
MARGIN_DAYS = 60  # a question may be asked so much later than the last weighing
MOST_DRAWS, LEAST_DRAWS, MOST_RUNS = 300, 100, 60_000
LEAST_ASKED = 20
_DAY = np.timedelta64(1, "D")


def fit_drying(
    book: RecordBook,
    law: str | Sequence[str] | None = None,
    pool: bool = True,
    experience: Any = None,
    *,
    as_of: str | pd.Timestamp | None = None,
    fixed: Mapping[str, float] | None = None,
    draws: int | None = None,
    seed: int = 0,
) -> DryingFits:
    """Fit a season once; every moisture, date and ratio of it is read from the result.

    Parameters
    ----------
    book : RecordBook
    law : str, or sequence of str
        One law, or several to be weighted by predictive accuracy. The default weighs the laws
        that have a wall and a seal in them.
    pool : bool
        Whether pieces of a species, seal and log tell of one another. Without it each piece is
        fitted alone, which says little early on.
    experience : DryingFits, path of saved fits, or a list of them
        Earlier seasons, or other clubs', whose posteriors become priors here.
    as_of : date
        Nothing after this day is used; by default the day of the last weighing or look.
    fixed : dict
        Parameters of the law held at a value.
    draws, seed : int
        How many draws are kept (300, fewer in a season of more than 200 pieces), and where the
        random numbers begin.

    Returns
    -------
    DryingFits

    Raises
    ------
    WoodlabError
        If the book is empty, a law is unknown or cannot be pooled, or a date cannot be read.

    Notes
    -----
    The model, with sources: `woodlab.drying.estimator.model`; the weights of the laws: `weights`
    beside it.

    Examples
    --------
    >>> import woodlab as wl
    >>> book = wl.demo_book().only(pieces=["A1", "A3", "B2"])
    >>> fits = wl.fit_drying(book, law="slab", as_of="2025-06-01")
    >>> surface = fits.pieces.set_index("piece")["surface_m_s"]  # A1 is waxed all over
    >>> bool(surface["A1"] < surface["A3"] / 4)
    True
    """
    book = expect_book(book, "fit_drying")
    laws, seed = _laws(law, pool), as_seed(seed)
    day = as_of_day(book, as_of)
    records = read_records(book, day)
    options: dict[str, Any] = {"held": dict(fixed or {}), "groups": pool}
    _check_fixed(laws, options["held"])
    _check_draws(draws)
    if experience is not None:
        if not pool:
            raise WoodlabError("experience tells of groups, which pool=False switches off.")
        experience = as_experience(experience)
        options["experience"] = experience.effects()
    if draws is None:
        draws = int(np.clip(MOST_RUNS // max(records.n, 1), LEAST_DRAWS, MOST_DRAWS))
    uneven = laws[0].kernel_columns is not None and bool((records.foot_ratio != 1).any())
    if not pool and laws[0].search is not None and not options["held"] and not uneven:
        draws = min(draws, 100)
        shown, parts = unweighed(laws[0]), [fit_alone(records, laws[0], draws, seed)]
    else:
        # many small matrices: threads of the algebra would only wait for one another
        with threadpool_limits(1, "blas"):
            shown, parts = _season(records, laws, day, options, draws, seed)
    asked = {
        "law": law if law is None or isinstance(law, str) else list(law), "pool": pool,
        "experience": experience, "fixed": dict(fixed or {}), "draws": draws, "seed": seed,
    }  # fmt: skip
    return assemble(records.book, day, parts, shown, asked)


def _season(
    records: Records, laws: Sequence[Law], day: np.datetime64, options: dict[str, Any],
    draws: int, seed: int,
) -> tuple[pd.DataFrame, list[Posterior]]:  # fmt: skip
    """The laws' weights, and draws of those that have one, the heaviest first."""
    weighed = weigh_laws(records, laws, day, options)
    parts: list[Posterior] = []
    for at in np.argsort(-weighed.frame["weight"].to_numpy(), kind="stable"):
        law, weight = laws[at], weighed.frame["weight"].iloc[at]
        if weight > 0:
            season = Season(records, law, **options)
            before = weighed.modes.get(law.name)
            mode = season.fit(None if before is None else season.start_from(*before))
            step = None if parts else scale_step(season, mode)
            if step is not None:
                return _season(on_two_scales(records, step), laws, day, options, draws, seed)
            count = max(2 * int(round(weight * draws / 2)), 4)  # even: draws come in pairs
            parts.append(draw(season, mode, count, seed))
    return weighed.frame, parts


def as_of_day(book: RecordBook, as_of: Any) -> np.datetime64:
    """The day asked for, or that of the last weighing or look, else of turning."""
    if as_of is None:
        # a look after the last weighing counts: what it saw must not be hidden from the list
        days = [table["on"].max() for table in (book.weighings, book.looks) if len(table)]
        days = [last for last in days if pd.notna(last)]
        as_of = max(days) if days else book.pieces["turned_on"].max()
    try:
        day = pd.Timestamp(as_of)
    except (ValueError, TypeError) as error:
        raise WoodlabError(
            f"as_of = {as_of!r} is not a date. Type one such as '2026-06-20'."
        ) from error
    if pd.isna(day):
        raise WoodlabError("The book has no date yet. Enter the pieces with turned_on first.")
    return np.datetime64(day.tz_localize(None) if day.tz else day, "D")


def _laws(law: str | Sequence[str] | None, pool: bool) -> list[Law]:
    if not (law is None or isinstance(law, str) or (
        isinstance(law, Sequence) and all(isinstance(name, str) for name in law)
    )):  # fmt: skip
        raise WoodlabError(f"law = {law!r:.60} names no law. Choose from: {', '.join(LAWS)}.")
    if not isinstance(pool, bool | np.bool_):
        raise WoodlabError(f"pool is {kind_of(pool)}. Give True or False, without quotes.")
    names = candidates() if law is None else [law] if isinstance(law, str) else list(law)
    if not names:
        raise WoodlabError("Name at least one law, or leave law out.")
    found = [law_named(name) for name in dict.fromkeys(names)]
    for one in found:
        if pool and one.describes_only:
            raise WoodlabError(
                f"The law {one.name!r} only describes single curves, so that a season cannot be "
                "pooled under it. Add pool=False, or take slab or film."
            )
        if not pool and len(found) > 1:
            if law is None:
                return [law_named("exponential")]
            raise WoodlabError("pool=False fits one law. Name it, such as law='film'.")
    return found


def _check_draws(draws: Any) -> None:
    if draws is not None and (not isinstance(draws, int | np.integer) or draws < LEAST_ASKED):
        raise WoodlabError(
            f"draws = {draws!r} is not usable. Give a whole number of at least {LEAST_ASKED}, "
            "or leave it out."
        )


def _check_fixed(laws: Sequence[Law], fixed: Mapping[str, float]) -> None:
    known = {p.name: p for law in laws for p in law.parameters}
    for name, value in fixed.items():
        if name not in known:
            raise WoodlabError(
                f"fixed names {name!r}, which is no parameter of {', '.join(x.name for x in laws)}."
                f" Choose from: {', '.join(sorted(known))}."
            )

        p, number = known[name], isinstance(value, int | float | np.number)
        if not number or not p.lower <= value <= p.upper:
            raise WoodlabError(
                f"fixed holds {name} at {value!r}, outside of {p.lower:g} to {p.upper:g} {p.unit}."
            )


def assemble(
    book: RecordBook, day: np.datetime64, parts: Sequence[Posterior], laws: pd.DataFrame,
    options: dict[str, Any], stored: pd.DataFrame | None = None,
) -> DryingFits:  # fmt: skip
    """The fits of these draws; `stored` are their pieces as they were made before."""
    season = parts[0].season
    shelf = season.d.shelf
    total = sum(part.count for part in parts)
    after = min(day, shelf.log_end) if shelf.has_air else day
    ahead = HORIZON_DAYS + MARGIN_DAYS + int((day - after) / _DAY) + 2
    air = future_air(store_air(book), after, ahead, draws=total, seed=int(options["seed"]) + 1)
    shown = laws.copy()
    by_law = {part.season.law.name: part for part in parts}
    for name in ("converged", "slip_g", "drift_pct"):
        shown[name] = [
            getattr(by_law[law].mode, name) if law in by_law else None for law in shown["law"]
        ]
    return DryingFits(
        book=book, as_of=pd.Timestamp(day), pool=season.groups, laws=shown, parts=tuple(parts),
        law=season.law.name if len(parts) == 1 else "mixture", air=air, options=options,
        stored=stored,
    )  # fmt: skip


def rank_laws(
    book: RecordBook, laws: Sequence[str] | None = None, *,
    as_of: str | pd.Timestamp | None = None,
) -> pd.DataFrame:  # fmt: skip
    """Rank the drying laws by how well they predict weighings that were held back.

    Each law is fitted to the season without its last weeks and asked for them.

    Parameters
    ----------
    book : RecordBook
    laws : sequence of str
        All that can be pooled by default.
    as_of : date
        As for `fit_drying`.

    Returns
    -------
    DataFrame
        Best first: `law`, `weight` (in the mixture that predicts best), `score` (log density of
        the weighings held back), `error_pct` (their mean absolute error, points of moisture),
        `n_held`.

    Raises
    ------
    WoodlabError
        If a law is not known or cannot be pooled.

    Examples
    --------
    >>> import woodlab as wl
    >>> book = wl.demo_book().only(pieces=["A1", "A3", "B2"])
    >>> wl.rank_laws(book, ["exponential", "slab"], as_of="2025-06-01")["law"].tolist()
    ['slab', 'exponential']
    """
    book = expect_book(book, "rank_laws")
    names = [n for n, law in LAWS.items() if not law.describes_only] if laws is None else laws
    found = _laws(names, True)
    day = as_of_day(book, as_of)
    records = read_records(book, day)
    frame = weigh_laws(records, found, day, {"groups": True}).frame
    return frame.sort_values(["score", "weight"], ascending=False, kind="stable", ignore_index=True)
