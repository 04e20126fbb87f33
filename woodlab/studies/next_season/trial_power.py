"""How many logs and pieces a trial wants: the chance that it sees a given effect, by simulation.

Two ways to draw the outcomes of a trial. `Scatter` draws them from stated distributions: ln drying
time and ln surface coefficient normal, cracks by a hazard that varies between logs. A pool of
simulated logs (`season_pool`) draws them from the season's own laws, with the records' own noise;
trials are then made of logs taken from it. Both are analysed as the trial would be: inside logs.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from scipy.special import stdtrit
from scipy.stats import norm

from woodlab.errors import WoodlabError, as_list
from woodlab.show import Card, Column, Shown, card
from woodlab.studies.next_season.trial_pool import Scatter

OUTCOMES = ("drying_time", "surface_coefficient", "crack_hazard")
WANTED = 0.80
CHUNK = 500  # trials a task; the same whether an executor runs them or not
MOST_LOGS = 400
LEAST_EXPECTED = 30  # pieces cracked, and whole, under each seal


@dataclass(frozen=True, eq=False, repr=False)
class TrialPower(Shown):
    """Chances to see an effect. Made by `trial_power`.

    Attributes
    ----------
    power : DataFrame
        One row an outcome and number of logs: `outcome`, `ratio`, `n_logs`, `per_seal`,
        `n_pieces` (of both seals), `power` (a share), `mc_error` (its Monte Carlo standard
        error), `closed_form` (where one applies, else NaN), `test`.
    smallest : DataFrame
        One row an outcome: `outcome`, `ratio`, `n_logs`, `n_pieces`, `power`, `mc_error`,
        `reason`: the fewest logs whose power reaches 80 %; NaN where 400 do not.
    sentences, cautions : tuple of str
    """

    power: pd.DataFrame
    smallest: pd.DataFrame
    sentences: tuple[str, ...]
    cautions: tuple[str, ...] = ()

    def card(self) -> Card:
        """The fewest logs for each effect; the chance with each number of logs."""
        columns = [
            Column("effect", lambda r: f"{_SPOKEN[r.outcome]} times {r.ratio:g}", False),
            Column("logs", lambda r: f"{r.n_logs}"),
            Column("pieces", lambda r: f"{r.n_pieces}"),
            Column("chance to see it", lambda r: f"{r.power:.0%}"),
            Column("simulation error", lambda r: f"+- {1.96 * r.mc_error:.1%}"),
            Column("textbook", lambda r: f"{r.closed_form:.0%}" if r.closed_form >= 0 else ""),
        ]
        return card(self.sentences, self.power, columns, caption="Chance to see an effect",
                    more=("found.power", "found.smallest"))  # fmt: skip


def trial_power(
    effects: Mapping[str, float],
    n_logs: int | Sequence[int] = (4, 6, 8, 12, 16, 24),
    *,
    per_seal: int = 1,
    by_log: bool = True,
    scatter: Scatter | None = None,
    pool: pd.DataFrame | None = None,
    n_trials: int = 4000,
    seed: int,
    executor: Executor | None = None,
    progress: bool = False,
) -> TrialPower:
    """The chance that a trial of two seals sees an effect (two-sided test at 5 %).

    Parameters
    ----------
    effects : mapping
        Ratio to see, sealed to reference, by outcome: `drying_time`, `surface_coefficient`,
        `crack_hazard`, such as `{"drying_time": 1.25}`. With `pool` the effect is in the pool
        itself, and the ratios only name what is looked at.
    n_logs : int or sequence of int
        Logs in the trial.
    per_seal : int
        Pieces of each seal in a log.
    by_log : bool
        Compare inside logs (each log has both seals). False: each log has pieces of one seal
        only, half of the logs each, as when whole logs are sealed one way.
    scatter : Scatter, optional
        See `Scatter`, and `scatter_of` for a past book's.
    pool : DataFrame, optional
        Simulated logs from `season_pool`: trials are made of logs taken from it.
    n_trials : int
    seed : int
    executor : concurrent.futures.Executor, optional
        Runs the trials in chunks; results do not depend on it.
    progress : bool
        Show a bar.

    Returns
    -------
    TrialPower

    Raises
    ------
    WoodlabError
        If an outcome is not known, a ratio is not above 0, or a number is too small.

    Notes
    -----
    Drying time and surface coefficient: t test on the logs' mean differences (paired), or on the
    pieces (two samples). Cracks: the score test of two proportions pooled over logs (Cochran 1954,
    Biometrics 10, 417-451, without continuity correction; one log a stratum), or over pieces.

    Examples
    --------
    >>> found = trial_power({"drying_time": 1.25}, n_logs=[4, 12], n_trials=500, seed=1)
    >>> bool(found.power["power"].is_monotonic_increasing)
    True
    """
    scatter = scatter or Scatter()
    n_logs = as_list(n_logs, "n_logs")
    _check(effects, n_logs, per_seal, n_trials)
    if pool is not None:
        _check_pool(pool, effects, max(n_logs), per_seal)
    seeds = np.random.SeedSequence(seed).spawn(len(effects))
    jobs = [
        _Job(outcome, float(ratio), per_seal, by_log, scatter, _outcomes(pool, outcome))
        for outcome, ratio in effects.items()
    ]
    rows, smallest = [], []
    bar = _bar(len(jobs) * (len(n_logs) + 1), progress)
    for job, own in zip(jobs, seeds, strict=True):
        for logs in n_logs:
            rows.append(_row(job, int(logs), n_trials, own, executor))
            bar.update(1)
        smallest.append(_smallest(job, n_trials, own, executor))
        bar.update(1)
    bar.close()
    power, least = pd.DataFrame(rows), pd.DataFrame(smallest)
    return TrialPower(power, least, _sentences(least, scatter, per_seal, by_log, pool, n_trials))


@dataclass(frozen=True)
class _Job:
    """One outcome, ready to be drawn and tested; small, so that it travels to other processes."""

    outcome: str
    ratio: float
    per_seal: int
    by_log: bool
    scatter: Scatter
    pool: np.ndarray | None  # (logs, 2, per_seal)


def _check(effects: Mapping[str, float], n_logs: Sequence[int], per_seal: int, trials: int) -> None:
    if not isinstance(effects, Mapping):
        raise WoodlabError("Give effects as a dict of ratios by outcome: {'drying_time': 1.25}.")
    for outcome, ratio in effects.items():
        if outcome not in OUTCOMES:
            raise WoodlabError(f"{outcome!r} is no outcome. Give one of {', '.join(OUTCOMES)}.")
        if not (np.isfinite(ratio) and ratio > 0):
            raise WoodlabError(f"The ratio of {outcome} must be above 0 (found {ratio!r}).")
    if not effects or not len(n_logs):
        raise WoodlabError("Give at least one effect and one number of logs.")
    if min(n_logs) < 2 or per_seal < 1 or trials < 100:
        raise WoodlabError("A trial wants 2 logs and 1 piece a seal, and 100 trials are simulated.")


def _check_pool(pool: pd.DataFrame, effects: Mapping[str, float], most: int, per: int) -> None:
    missing = {"log", "sealed", *effects} - set(pool)
    if missing:
        raise WoodlabError(
            f"The pool has no column {sorted(missing)[0]!r}. Make it with season_pool."
        )
    counts = pool.groupby(["log", "sealed"]).size()
    if counts.min() < per or pool["log"].nunique() < 2 * most:
        raise WoodlabError(
            f"The pool has {pool['log'].nunique()} logs with {counts.min()} pieces a seal; trials "
            f"of {most} logs want {2 * most} with {per}. Make a larger pool."
        )


def _outcomes(pool: pd.DataFrame | None, outcome: str) -> np.ndarray | None:
    if pool is None:
        return None
    table = pool.sort_values(["log", "sealed"], kind="stable")
    per = int(table.groupby(["log", "sealed"]).size().min())
    table = table.groupby(["log", "sealed"]).head(per)
    values = table[outcome].to_numpy(dtype=float)
    return (values if outcome == "crack_hazard" else np.log(values)).reshape(-1, 2, per)


def _bar(total: int, progress: bool) -> Any:
    from tqdm import tqdm

    return tqdm(total=total, disable=not progress, desc="trials", unit="design")


def _row(
    job: _Job, n_logs: int, trials: int, seed: np.random.SeedSequence, executor: Executor | None
) -> dict[str, object]:
    power = _power(job, n_logs, trials, seed, executor)
    pieces = (2 if job.by_log else 1) * n_logs * job.per_seal
    return {
        "outcome": job.outcome, "ratio": job.ratio, "n_logs": n_logs, "per_seal": job.per_seal,
        "n_pieces": pieces, "power": power, "mc_error": mc_error(power, trials),
        "closed_form": np.nan if job.pool is not None else closed_form(job, n_logs),
        "test": _test_name(job),
    }  # fmt: skip


def mc_error(power: float, trials: int) -> float:
    """Standard error of a simulated share; with none or all seen, that of one more or one less.

    Examples
    --------
    >>> round(mc_error(0.8, 4000), 4)
    0.0063
    """
    share = min(max(power, 1 / trials), 1 - 1 / trials)
    return float(np.sqrt(share * (1 - share) / trials))


def _power(
    job: _Job, n_logs: int, trials: int, seed: np.random.SeedSequence, executor: Executor | None
) -> float:
    sizes = [CHUNK] * (trials // CHUNK) + ([trials % CHUNK] if trials % CHUNK else [])
    entropy = np.ravel(np.asarray(seed.entropy)).tolist()
    root = np.random.SeedSequence([*entropy, *seed.spawn_key, n_logs])
    tasks = [
        (job, n_logs, size, own) for size, own in zip(sizes, root.spawn(len(sizes)), strict=True)
    ]
    run = map if executor is None else executor.map
    return sum(run(_seen, tasks)) / trials


def _seen(task: tuple[_Job, int, int, np.random.SeedSequence]) -> int:
    """How many of some simulated trials see the effect."""
    job, n_logs, trials, seed = task
    rng = np.random.default_rng(seed)
    outcome = _drawn(job, n_logs, trials, rng)  # (trials, logs, 2, per_seal)
    if job.outcome == "crack_hazard":
        p = _p_of_cracks(outcome, job.by_log)
        return int((p < 0.05).sum())
    test = _paired if job.by_log else _two_sample
    return int(test(outcome).sum())


def _drawn(job: _Job, n_logs: int, trials: int, rng: np.random.Generator) -> np.ndarray:
    shape = (trials, n_logs, 2, job.per_seal)
    if job.pool is not None:
        order = rng.random((trials, len(job.pool))).argpartition(n_logs, axis=1)[:, :n_logs]
        return job.pool[order][..., : job.per_seal]
    s = job.scatter
    if job.outcome == "crack_hazard":
        # Each log's rate varies about one that gives the stated chance over all logs.
        centre = _log_rate(s.crack_chance, s.crack_log_sd)
        ln_rate = centre + rng.normal(0, s.crack_log_sd, shape[:2])[..., None, None]
        ln_rate = ln_rate + np.log(job.ratio) * np.array([0.0, 1.0])[:, None]
        return (rng.random(shape) < -np.expm1(-np.exp(ln_rate))).astype(float)
    sd = s.drying_time_sd if job.outcome == "drying_time" else s.surface_coefficient_sd
    effect = np.log(job.ratio) + rng.normal(0, s.seal_by_log_sd, (trials, n_logs))
    outcome = (
        rng.normal(0, sd, shape) + rng.normal(0, s.between_logs_sd, shape[:2])[..., None, None]
    )
    outcome[:, :, 1] += effect[..., None]
    return outcome


_Z, _W = np.polynomial.hermite_e.hermegauss(41)


def _log_rate(chance: float, log_sd: float) -> float:
    """ln rate at the middle of the logs whose chance of a crack, over all logs, is given."""
    from scipy.optimize import brentq

    def over(centre: float) -> float:
        return float(_W / _W.sum() @ -np.expm1(-np.exp(centre + log_sd * _Z))) - chance

    return float(brentq(over, -30.0, 10.0))


def _paired(outcome: np.ndarray) -> np.ndarray:
    """t test on the logs' differences of means, two-sided at 5 %."""
    means = outcome.mean(axis=3)
    difference = means[..., 1] - means[..., 0]
    n = difference.shape[1]
    t = difference.mean(axis=1) / (difference.std(axis=1, ddof=1) / np.sqrt(n))
    return np.abs(t) > stdtrit(n - 1, 0.975)


def _halves(outcome: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Logs of one seal each: the first half bare, the second sealed; a log counts as one."""
    n = outcome.shape[1] // 2
    return outcome[:, :n, 0].mean(axis=2), outcome[:, n : 2 * n, 1].mean(axis=2)


def _two_sample(outcome: np.ndarray) -> np.ndarray:
    """t test of two samples of logs, equal variances, two-sided at 5 %."""
    bare, sealed = _halves(outcome)
    n = bare.shape[1]
    pooled = (bare.var(axis=1, ddof=1) + sealed.var(axis=1, ddof=1)) / 2
    t = (sealed.mean(axis=1) - bare.mean(axis=1)) / np.sqrt(2 * pooled / n)
    return np.abs(t) > stdtrit(2 * n - 2, 0.975)


def _p_of_cracks(outcome: np.ndarray, by_log: bool) -> np.ndarray:
    """Two-sided p of the score test of two proportions, pooled over logs where they have both."""
    per = outcome.shape[3]
    if by_log:
        bare, sealed = outcome[:, :, 0].sum(axis=2), outcome[:, :, 1].sum(axis=2)
        total = 2 * per
        cracked = bare + sealed
        expected = cracked / 2
        # Variance of a hypergeometric count: margins fixed inside the log.
        variance = cracked * (total - cracked) / (4 * (total - 1))
        score, spread = (sealed - expected).sum(axis=1), variance.sum(axis=1)
    else:
        n = outcome.shape[1] // 2
        bare = outcome[:, :n, 0].sum(axis=(1, 2))
        sealed = outcome[:, n : 2 * n, 1].sum(axis=(1, 2))
        size = n * per
        share = (bare + sealed) / (2 * size)
        score, spread = (sealed - bare) / 2, size * share * (1 - share) / 2
    with np.errstate(divide="ignore", invalid="ignore"):
        z = np.where(spread > 0, np.abs(score) / np.sqrt(spread), 0.0)
    return 2 * norm.sf(z)


def closed_form(job: _Job, n_logs: int) -> float:
    """The textbook power where it applies: paired and two-sample t, two proportions; else NaN."""
    from statsmodels.stats.power import TTestIndPower, TTestPower
    from statsmodels.stats.proportion import power_proportions_2indep

    s = job.scatter
    if job.outcome == "crack_hazard":
        if job.by_log or s.crack_log_sd > 0:
            return np.nan
        size = (n_logs // 2) * job.per_seal
        sealed = -np.expm1(job.ratio * np.log1p(-s.crack_chance))
        shares = np.array([sealed, s.crack_chance])
        if size * np.minimum(shares, 1 - shares).min() < LEAST_EXPECTED:
            return np.nan  # its normal approximation does not hold
        found = power_proportions_2indep(sealed - s.crack_chance, s.crack_chance, size)
        return float(found.power)
    sd = s.drying_time_sd if job.outcome == "drying_time" else s.surface_coefficient_sd
    noise = sd**2 / job.per_seal
    if job.by_log:
        effect = np.log(job.ratio) / np.sqrt(2 * noise + s.seal_by_log_sd**2)
        return float(TTestPower().power(effect, n_logs, 0.05))
    if s.seal_by_log_sd > 0 or n_logs < 4:
        return np.nan
    effect = np.log(job.ratio) / np.sqrt(noise + s.between_logs_sd**2)
    return float(TTestIndPower().power(effect, n_logs // 2, 0.05))


def _test_name(job: _Job) -> str:
    if job.outcome == "crack_hazard":
        return "score test inside logs" if job.by_log else "score test of two proportions"
    return "t test inside logs" if job.by_log else "t test of two samples of logs"


def _smallest(
    job: _Job, trials: int, seed: np.random.SeedSequence, executor: Executor | None
) -> dict[str, object]:
    """The fewest logs that reach 80 %, by doubling and halving."""
    most = MOST_LOGS if job.pool is None else len(job.pool) // 2
    step = 1 if job.by_log else 2
    known: dict[int, float] = {}

    def power(logs: int) -> float:
        if logs not in known:
            known[logs] = _power(job, logs, trials, seed, executor)
        return known[logs]

    row: dict[str, object] = {"outcome": job.outcome, "ratio": job.ratio}
    low, high = 2 * step, 4 * step
    if power(low) >= WANTED:
        high = low
    else:
        while power(min(high, most)) < WANTED and high < most:
            low, high = high, 2 * high
        high = min(high, most)
        if power(high) < WANTED:
            reason = f"{most} logs see it in {power(high):.0%} of trials; more were not tried"
            return row | {"n_logs": np.nan, "n_pieces": np.nan, "power": power(high),
                          "mc_error": mc_error(power(high), trials), "reason": reason}  # fmt: skip
        while high - low > step:
            middle = low + step * max((high - low) // (2 * step), 1)
            low, high = (low, middle) if power(middle) >= WANTED else (middle, high)
    pieces = (2 if job.by_log else 1) * high * job.per_seal
    return row | {"n_logs": high, "n_pieces": pieces, "power": power(high),
                  "mc_error": mc_error(power(high), trials), "reason": ""}  # fmt: skip


_SPOKEN = {
    "drying_time": "the drying time", "surface_coefficient": "the surface coefficient",
    "crack_hazard": "the rate of cracks",
}  # fmt: skip


def _sentences(
    smallest: pd.DataFrame, scatter: Scatter, per_seal: int, by_log: bool,
    pool: pd.DataFrame | None, trials: int,
) -> tuple[str, ...]:  # fmt: skip
    said = []
    how = "in each log" if by_log else "with each log under one seal"
    per = f"{per_seal} piece{'s' * (per_seal > 1)} a seal {how}"
    for row in smallest.to_dict("records"):
        what = f"a seal that multiplies {_SPOKEN[row['outcome']]} by {row['ratio']:g}"
        if pd.isna(row["n_logs"]):
            said.append(f"To see {what}, with {per}: {row['reason']}.")
        else:
            said.append(
                f"To see {what} in four trials of five takes about {row['n_logs']:.0f} logs with "
                f"{per} ({row['n_pieces']:.0f} pieces; power {row['power']:.1%} "
                f"+- {1.96 * row['mc_error']:.1%} from {trials} simulated trials)."
            )
    source = "logs simulated by the drying laws" if pool is not None else scatter.source
    said.append(f"The scatter comes from {source}; if it is larger, more logs are wanted.")
    return tuple(said)
