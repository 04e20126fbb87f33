"""`fit_drying`: one law, every piece of a book, at once."""

from __future__ import annotations

from collections.abc import Mapping
from concurrent.futures import Executor

import numpy as np

from woodlab.book.record_book import RecordBook
from woodlab.drying.assemble import assemble, first_verdict, undetermined
from woodlab.drying.batch import check_executor, run
from woodlab.drying.laws import law_named
from woodlab.drying.results import DryingFits
from woodlab.drying.setup import FREE, free_prior, prepare


def fit_drying(
    book: RecordBook,
    law: str = "exponential",
    pool: bool = False,
    *,
    air: float | str | None = "book",
    fixed: Mapping[str, float] | None = None,
    intervals: bool = True,
    executor: Executor | None = None,
    progress: bool | None = None,
) -> DryingFits:
    """Fit one drying law to every piece of a book.

    Oven-dry mass and start moisture are linear in all laws but `two_period` and `slab` and are
    solved inside; one or two nonlinear parameters are searched for, all pieces in compiled code.
    Clean weighings give exactly least squares; a weighing that stands alone, far from its
    neighbours, is set aside and listed in `fits.set_aside`. Events are steps in mass, in
    `fits.steps`.

    Parameters
    ----------
    book : RecordBook
    law : str
        A name of `woodlab.drying.laws.LAWS`.
    pool : bool
        Let the pieces of a season lend one another strength; see `woodlab.drying.pool`.
    air : "book", float or None
        The book's air log (the default; where there is none, as None), one equilibrium moisture
        [%] for all, or None: the mass at the end is left free, and only its split into wood and
        water rests on an assumed 12 +- 3 %.
    fixed : mapping
        Values for parameters that are held: `critical_pct` of `two_period`, `rise_per_pct` and
        `fibre_saturation_pct` of `slab`.
    intervals : bool
        Look for profile-likelihood intervals; without them the fit is faster and `params` has
        no limits.
    executor : concurrent.futures.Executor
        Where to fit; threads of this process by default.
    progress : bool
        Show a bar; by default when the work is long.

    Returns
    -------
    DryingFits

    Raises
    ------
    WoodlabError
        If the law or an option is not known. A piece that cannot be fitted is a row with its
        reason, not an error.

    Notes
    -----
    Source: separable least squares, Golub and Pereyra (1973). Those of the laws stand in
    `docs/laws/`; what is assumed of start moisture and air are estimates of our own.

    Examples
    --------
    >>> import numpy as np, pandas as pd, woodlab as wl
    >>> days = np.arange(0, 120, 7)
    >>> mass = (800 + 500 * np.exp(-days / 30)).round(1)
    >>> book = wl.RecordBook.from_frames(
    ...     pieces=pd.DataFrame({"piece": ["A"], "species": ["red oak"], "seal": ["none"],
    ...                          "turned_on": ["2026-03-01"], "wall_mm": [25]}),
    ...     weighings=pd.DataFrame({"piece": "A", "mass_g": mass,
    ...                             "on": pd.Timestamp("2026-03-01") + pd.to_timedelta(days, "D")}))
    >>> fits = wl.fit_drying(book)
    >>> fits.pieces.loc[0, "status"], round(float(fits.pieces.loc[0, "tau_days"]))
    ('ok', 30)
    """
    found = law_named(law)
    check_executor(executor)
    if pool and len(book.pieces):
        from woodlab.drying.pool import pool_season  # its compiled code only where it is asked for

        return pool_season(book, law, executor=executor, progress=progress)
    setup = prepare(book, found, air, dict(fixed or {}))
    wanted, verdict = first_verdict(setup)
    setup.task["profile"] = intervals
    out = run(setup.task, wanted, executor, progress, slow=law == "slab")
    lent = np.zeros(len(book.pieces), dtype=bool)
    if setup.design == FREE:
        # The weighings do not show where the curve ends: ask the species table, and say so.
        open_end = undetermined(setup, out, wanted)
        ratio, ratio_sd = free_prior(setup.known, setup.rows, setup.equilibrium_pct)
        weak = wanted[open_end & np.isfinite(ratio_sd[wanted])]
        weak = weak[setup.task["options"][weak, 4] == 0.0]
        if weak.size:
            setup.task["options"][weak, 3] = ratio[weak]
            setup.task["options"][weak, 4] = ratio_sd[weak]
            again = run(setup.task, weak, executor, progress, slow=False)
            _overwrite(out, again, weak, setup.rows.ptr)
            lent[weak] = True
    return assemble(book, setup, out, verdict, lent)


def _overwrite(
    out: dict[str, np.ndarray], again: dict[str, np.ndarray], chosen: np.ndarray, ptr: np.ndarray
) -> None:
    for name, values in again.items():
        if name == "w":
            for p in chosen:
                out["w"][ptr[p] : ptr[p + 1]] = values[ptr[p] : ptr[p + 1]]
        else:
            out[name][chosen] = values[chosen]
