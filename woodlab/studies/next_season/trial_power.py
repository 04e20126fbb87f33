"""How many logs and pieces a trial wants: the chance that it sees a given effect, by simulation.

Outcomes are drawn with the stated `Scatter`: ln drying time and ln surface coefficient normal,
cracks by a hazard that varies between logs. They are analysed as the trial would be: inside logs.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import cache

import numpy as np
import pandas as pd
from scipy.optimize import brentq
from scipy.stats import norm, ttest_ind, ttest_rel

from woodlab import words
from woodlab.errors import WoodlabError, as_kind, as_list, as_number, as_seed
from woodlab.show import Card, Column, card
from woodlab.studies.cracks.hazard import chance_over_logs
from woodlab.studies.export import Study
from woodlab.studies.next_season.scatter import Scatter

OUTCOMES = {
    "drying_time": "the drying time", "surface_coefficient": "the surface coefficient",
    "crack_hazard": "the rate of cracks",
}  # fmt: skip
WANTED = 0.80
MOST_LOGS = 400
CHUNK = 500  # trials drawn at a time
LEAST_EXPECTED = 30  # pieces cracked, and whole, under each seal


@dataclass(frozen=True, eq=False, repr=False)
class TrialPower(Study):
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
    sentences : tuple of str
    """

    power: pd.DataFrame
    smallest: pd.DataFrame
    sentences: tuple[str, ...]

    def findings(self) -> Card:
        """The fewest logs for each effect; the chance with each number of logs."""
        columns = [
            Column("effect", lambda r: f"{OUTCOMES[r.outcome]} times {r.ratio:g}", False),
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
    n_trials: int = 4000,
    seed: int,
) -> TrialPower:
    """The chance that a trial of two seals sees an effect (two-sided test at 5 %).

    Parameters
    ----------
    effects : mapping
        Ratio to see, sealed to reference, by outcome: `drying_time`, `surface_coefficient`,
        `crack_hazard`, such as `{"drying_time": 1.25}`.
    n_logs : int or sequence of int
        Logs in the trial.
    per_seal : int
        Pieces of each seal in a log.
    by_log : bool
        Compare inside logs (each log has both seals). False: each log has pieces of one seal
        only, half of the logs each, as when whole logs are sealed one way.
    scatter : Scatter, optional
        See `Scatter`, and `scatter_of` for a past book's.
    n_trials : int
    seed : int

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
    n_logs, seed = as_list(n_logs, "n_logs"), as_seed(seed)
    as_kind(scatter, Scatter, "scatter", "a Scatter, or leave it out")
    _check(effects, n_logs, per_seal, n_trials)
    rows, smallest = [], []
    for nth, (outcome, ratio) in enumerate(effects.items()):
        design = _Design(outcome, float(ratio), per_seal, by_log, scatter or Scatter())

        @cache
        def power(logs: int, design: _Design = design, nth: int = nth) -> float:
            rng = np.random.default_rng([seed, nth, logs])
            sizes = [min(CHUNK, n_trials - done) for done in range(0, n_trials, CHUNK)]
            return sum(design.seen(logs, size, rng) for size in sizes) / n_trials

        for logs in map(int, n_logs):
            row = design.row(logs, power(logs), n_trials)
            rows.append(row | {"closed_form": design.closed_form(logs), "test": design.test})
        smallest.append(_smallest(design, power, n_trials))
    table = pd.DataFrame(rows).assign(per_seal=per_seal)
    order = ["outcome", "ratio", "n_logs", "per_seal", "n_pieces", "power", "mc_error",
             "closed_form", "test"]  # fmt: skip
    least = pd.DataFrame(smallest)
    return TrialPower(table[order], least, _sentences(least, design, n_trials))


def _check(effects: Mapping[str, float], n_logs: Sequence[int], per_seal: int, trials: int) -> None:
    if not isinstance(effects, Mapping):
        raise WoodlabError("Give effects as a dict of ratios by outcome: {'drying_time': 1.25}.")
    for outcome, ratio in effects.items():
        if outcome not in OUTCOMES:
            raise WoodlabError(f"{outcome!r} is no outcome. Give one of {', '.join(OUTCOMES)}.")
        if not (np.isfinite(as_number(ratio, outcome)) and ratio > 0):
            raise WoodlabError(f"The ratio of {outcome} must be above 0 (found {ratio!r}).")
    if not effects or not len(n_logs):
        raise WoodlabError("Give at least one effect and one number of logs.")
    for value, name in [*((n, "n_logs") for n in n_logs),
                        (per_seal, "per_seal"), (trials, "n_trials")]:  # fmt: skip
        as_number(value, name)
    if min(n_logs) < 2 or per_seal < 1 or trials < 100:
        raise WoodlabError("A trial wants 2 logs and 1 piece a seal, and 100 trials are simulated.")


@dataclass(frozen=True)
class _Design:
    """A trial of one outcome: how it is drawn and how it is tested."""

    outcome: str
    ratio: float
    per_seal: int
    by_log: bool
    scatter: Scatter

    @property
    def sd(self) -> float:
        """Of ln drying time or ln surface coefficient, between pieces of a log."""
        s = self.scatter
        return s.drying_time_sd if self.outcome == "drying_time" else s.surface_coefficient_sd

    @property
    def test(self) -> str:
        inside = "inside logs" if self.by_log else "of two samples of logs"
        if self.outcome == "crack_hazard":
            return f"score test {inside if self.by_log else 'of two proportions'}"
        return f"t test {inside}"

    def row(self, n_logs: int, power: float, trials: int) -> dict[str, object]:
        pieces = (2 if self.by_log else 1) * n_logs * self.per_seal
        error = mc_error(power, trials)
        return {"outcome": self.outcome, "ratio": self.ratio, "n_logs": n_logs,
                "n_pieces": pieces, "power": power, "mc_error": error}  # fmt: skip

    def seen(self, n_logs: int, trials: int, rng: np.random.Generator) -> int:
        """How many of some simulated trials see the effect."""
        outcome = self.drawn(n_logs, trials, rng)
        if self.outcome == "crack_hazard":
            return int((_p_of_cracks(outcome, self.by_log) < 0.05).sum())
        return int(((_paired if self.by_log else _two_sample)(outcome)).sum())

    def drawn(self, n_logs: int, trials: int, rng: np.random.Generator) -> np.ndarray:
        """Outcomes of trials, (trials, logs, 2, per_seal)."""
        s, shape = self.scatter, (trials, n_logs, 2, self.per_seal)
        if self.outcome == "crack_hazard":
            # Each log's rate varies about one that gives the stated chance over all logs.
            centre = _log_rate(s.crack_chance, s.crack_log_sd)
            ln_rate = centre + rng.normal(0, s.crack_log_sd, shape[:2])[..., None, None]
            ln_rate = ln_rate + np.log(self.ratio) * np.array([0.0, 1.0])[:, None]
            return (rng.random(shape) < -np.expm1(-np.exp(ln_rate))).astype(float)
        effect = np.log(self.ratio) + rng.normal(0, s.seal_by_log_sd, (trials, n_logs))
        outcome = rng.normal(0, self.sd, shape)
        outcome += rng.normal(0, s.between_logs_sd, shape[:2])[..., None, None]
        outcome[:, :, 1] += effect[..., None]
        return outcome

    def closed_form(self, n_logs: int) -> float:
        """The textbook power where it applies (t tests, two proportions); else NaN."""
        from statsmodels.stats.power import TTestIndPower, TTestPower
        from statsmodels.stats.proportion import power_proportions_2indep

        s = self.scatter
        if self.outcome == "crack_hazard":
            size = (n_logs // 2) * self.per_seal
            sealed = -np.expm1(self.ratio * np.log1p(-s.crack_chance))
            shares = np.array([sealed, s.crack_chance])
            normal = size * np.minimum(shares, 1 - shares).min() >= LEAST_EXPECTED
            if self.by_log or s.crack_log_sd > 0 or not normal:
                return np.nan
            return float(power_proportions_2indep(shares[0] - shares[1], shares[1], size).power)
        noise = self.sd**2 / self.per_seal
        if self.by_log:
            effect = np.log(self.ratio) / np.sqrt(2 * noise + s.seal_by_log_sd**2)
            return float(TTestPower().power(effect, n_logs, 0.05))
        if s.seal_by_log_sd > 0 or n_logs < 4:
            return np.nan
        effect = np.log(self.ratio) / np.sqrt(noise + s.between_logs_sd**2)
        return float(TTestIndPower().power(effect, n_logs // 2, 0.05))


def mc_error(power: float, trials: int) -> float:
    """Standard error of a simulated share; with none or all seen, that of one more or one less."""
    share = min(max(power, 1 / trials), 1 - 1 / trials)
    return float(np.sqrt(share * (1 - share) / trials))


def _log_rate(chance: float, log_sd: float) -> float:
    """ln rate at the middle of the logs whose chance of a crack, over all logs, is given."""

    def over(centre: float) -> float:
        return float(chance_over_logs(np.array([[centre]]), log_sd)[0, 0]) - chance

    return float(brentq(over, -30.0, 10.0))


def _paired(outcome: np.ndarray) -> np.ndarray:
    """t test on the logs' differences of means, two-sided at 5 %."""
    means = outcome.mean(axis=3)
    return np.asarray(ttest_rel(means[..., 1], means[..., 0], axis=1).pvalue < 0.05)


def _halves(outcome: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Logs of one seal each: the first half bare, the second sealed; a log counts as one."""
    n = outcome.shape[1] // 2
    return outcome[:, :n, 0].mean(axis=2), outcome[:, n : 2 * n, 1].mean(axis=2)


def _two_sample(outcome: np.ndarray) -> np.ndarray:
    """t test of two samples of logs, equal variances, two-sided at 5 %."""
    return np.asarray(ttest_ind(*_halves(outcome), axis=1).pvalue < 0.05)


def _p_of_cracks(outcome: np.ndarray, by_log: bool) -> np.ndarray:
    """Two-sided p of the score test of two proportions, pooled over logs where they have both."""
    per = outcome.shape[3]
    if by_log:
        bare, sealed = outcome[:, :, 0].sum(axis=2), outcome[:, :, 1].sum(axis=2)
        total = 2 * per
        cracked = bare + sealed
        # Variance of a hypergeometric count: margins fixed inside the log.
        variance = cracked * (total - cracked) / (4 * (total - 1))
        score, spread = (sealed - cracked / 2).sum(axis=1), variance.sum(axis=1)
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


def _smallest(design: _Design, power: Callable[[int], float], trials: int) -> dict[str, object]:
    """The fewest logs that reach 80 %, by doubling and halving."""
    step = 1 if design.by_log else 2
    low, high = step, 2 * step
    while power(high) < WANTED and high < MOST_LOGS:
        low, high = high, min(2 * high, MOST_LOGS)
    if power(high) < WANTED:
        reason = f"{MOST_LOGS} logs see it in {power(high):.0%} of trials; more were not tried"
        row = design.row(high, power(high), trials)
        return row | {"n_logs": np.nan, "n_pieces": np.nan, "reason": reason}
    while low > step and high - low > step:
        middle = low + step * max((high - low) // (2 * step), 1)
        low, high = (low, middle) if power(middle) >= WANTED else (middle, high)
    return design.row(high, power(high), trials) | {"reason": ""}


def _sentences(smallest: pd.DataFrame, design: _Design, trials: int) -> tuple[str, ...]:
    said = []
    how = "in each log" if design.by_log else "with each log under one seal"
    per = f"{words.tally(design.per_seal)} a seal {how}"
    for row in smallest.to_dict("records"):
        what = f"a seal that multiplies {OUTCOMES[row['outcome']]} by {row['ratio']:g}"
        if row["reason"]:
            said.append(f"To see {what}, with {per}: {row['reason']}.")
        else:
            said.append(
                f"To see {what} in four trials of five takes about {row['n_logs']:.0f} logs with "
                f"{per} ({row['n_pieces']:.0f} pieces; power {row['power']:.1%} "
                f"+- {1.96 * row['mc_error']:.1%} from {trials} simulated trials)."
            )
    source = design.scatter.source
    return (*said, f"The scatter comes from {source}; if it is larger, more logs are wanted.")
