"""How many logs and pieces a trial wants: the chance that it sees a given effect, by simulation.

Outcomes are drawn with the stated `Scatter`: ln drying time and ln surface coefficient normal,
cracks by a hazard that varies between logs. They are analysed as the trial would be: inside logs.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from typing import Any

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
            Column("effect", _effect, False),
            Column("logs", lambda r: f"{r.n_logs}"),
            Column("pieces", lambda r: f"{r.n_pieces}"),
            Column("chance to see it", lambda r: f"{r.power:.0%}"),
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
    n_logs, per_seal : int or sequence of int, int
        Logs in the trial; pieces of each seal in a log.
    by_log : bool
        Compare inside logs (each log has both seals). False: each log has pieces of one seal
        only, half of the logs each, as when whole logs are sealed one way.
    scatter : Scatter, optional
        See `Scatter`, and `scatter_of` for a past book's.
    n_trials, seed : int

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
    rows, smallest, scatter = [], [], scatter or Scatter()
    for nth, (outcome, ratio) in enumerate(effects.items()):
        design = _Design(outcome, float(ratio), per_seal, by_log, scatter)

        @cache
        def told(logs: int, design: _Design = design, nth: int = nth) -> dict[str, Any]:
            rng = np.random.default_rng([seed, nth, logs])
            sizes = [min(CHUNK, n_trials - done) for done in range(0, n_trials, CHUNK)]
            seen = sum((design.p_values(design.drawn(logs, n, rng)) < 0.05).sum() for n in sizes)
            power = float(seen / n_trials)
            return {"outcome": design.outcome, "ratio": design.ratio, "n_logs": logs,
                    "per_seal": per_seal, "n_pieces": (2 if by_log else 1) * logs * per_seal,
                    "power": power, "mc_error": mc_error(power, n_trials)}  # fmt: skip

        rows += [told(logs) | {"closed_form": design.closed_form(logs), "test": design.test}
                 for logs in map(int, n_logs)]  # fmt: skip
        smallest.append(_smallest(told, step=1 if by_log else 2))
    least = pd.DataFrame(smallest).drop(columns="per_seal")
    said = [f"{words.opened(_effect(row))}: {row.reason}." if row.reason else
            f"{words.opened(_effect(row))}: about {row.n_logs:.0f} logs ({row.n_pieces:.0f} "
            "pieces) show it in four trials of five." for row in least.itertuples()]  # fmt: skip
    how = "in each log" if by_log else "with each log under one seal"
    said.append(
        f"With {words.tally(per_seal)} a seal {how}, by {n_trials} simulated trials each. The "
        f"scatter comes from {scatter.source}; if it is larger, more logs are wanted."
    )
    return TrialPower(pd.DataFrame(rows), least, tuple(said))


def _effect(row: Any) -> str:
    return f"{OUTCOMES[row.outcome]} times {row.ratio:g}"


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
    least = min(as_number(n, "n_logs") for n in n_logs)
    if least < 2 or as_number(per_seal, "per_seal") < 1 or as_number(trials, "n_trials") < 100:
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
        if self.outcome == "crack_hazard":
            return f"score test {'inside logs' if self.by_log else 'of two proportions'}"
        return f"t test {'inside logs' if self.by_log else 'of two samples of logs'}"

    def drawn(self, n_logs: int, trials: int, rng: np.random.Generator) -> np.ndarray:
        """Outcomes of trials, (trials, logs, 2, per_seal)."""
        s, shape = self.scatter, (trials, n_logs, 2, self.per_seal)
        sealed, ln_ratio = np.array([[0.0], [1.0]]), np.log(self.ratio)
        if self.outcome == "crack_hazard":
            # Each log's rate varies about one that gives the stated chance over all logs.
            log = rng.normal(0, s.crack_log_sd, shape[:2])[..., None, None]
            rate = np.exp(_log_rate(s.crack_chance, s.crack_log_sd) + log + ln_ratio * sealed)
            return (rng.random(shape) < -np.expm1(-rate)).astype(float)
        effect = ln_ratio + rng.normal(0, s.seal_by_log_sd, shape[:2])[..., None, None]
        outcome = rng.normal(0, self.sd, shape)
        log = rng.normal(0, s.between_logs_sd, shape[:2])[..., None, None]
        return np.asarray(outcome + log + effect * sealed)

    def p_values(self, outcome: np.ndarray) -> np.ndarray:
        """Two-sided p of each trial; logs of one seal each are bare in the first half."""
        n = outcome.shape[1] // 2
        bare, sealed = (outcome[:, :, 0], outcome[:, :, 1]) if self.by_log else \
            (outcome[:, :n, 0], outcome[:, n : 2 * n, 1])  # fmt: skip
        if self.outcome != "crack_hazard":
            test = ttest_rel if self.by_log else ttest_ind
            return np.asarray(test(sealed.mean(axis=2), bare.mean(axis=2), axis=1).pvalue)
        if not self.by_log:  # one stratum
            bare, sealed = (part.reshape(len(part), 1, -1) for part in (bare, sealed))
        pieces = 2 * bare.shape[2]
        cracked = bare.sum(axis=2) + sealed.sum(axis=2)
        # Inside a log the margins are fixed: a hypergeometric count, hence the 1.
        variance = cracked * (pieces - cracked) / (4 * (pieces - self.by_log))
        score, spread = (sealed.sum(axis=2) - cracked / 2).sum(axis=1), variance.sum(axis=1)
        z = np.divide(np.abs(score), np.sqrt(spread), out=np.zeros_like(score), where=spread > 0)
        return np.asarray(2 * norm.sf(z))

    def closed_form(self, n_logs: int) -> float:
        """The textbook power where it applies (t tests, two proportions); else NaN."""
        from statsmodels.stats.power import TTestIndPower, TTestPower
        from statsmodels.stats.proportion import power_proportions_2indep

        s, half = self.scatter, n_logs // 2
        if self.outcome == "crack_hazard":
            bare, sealed = s.crack_chance, -np.expm1(self.ratio * np.log1p(-s.crack_chance))
            size = half * self.per_seal
            normal = size * min(sealed, 1 - sealed, bare, 1 - bare) >= LEAST_EXPECTED
            if self.by_log or s.crack_log_sd > 0 or not normal:
                return np.nan
            return float(power_proportions_2indep(sealed - bare, bare, size).power)
        effect, noise = np.log(self.ratio), self.sd**2 / self.per_seal
        if self.by_log:
            sd = np.sqrt(2 * noise + s.seal_by_log_sd**2)
            return float(TTestPower().power(effect / sd, n_logs, 0.05))
        if s.seal_by_log_sd > 0 or n_logs < 4:
            return np.nan
        sd = np.sqrt(noise + s.between_logs_sd**2)
        return float(TTestIndPower().power(effect / sd, half, 0.05))


def mc_error(power: float, trials: int) -> float:
    """Standard error of a simulated share; with none or all seen, that of one more or one less."""
    share = min(max(power, 1 / trials), 1 - 1 / trials)
    return float(np.sqrt(share * (1 - share) / trials))


@cache
def _log_rate(chance: float, log_sd: float) -> float:
    """ln rate at the middle of the logs whose chance of a crack, over all logs, is given."""

    def over(centre: float) -> float:
        return float(chance_over_logs(np.array([[centre]]), log_sd)[0, 0]) - chance

    return float(brentq(over, -30.0, 10.0))


def _smallest(told: Callable[[int], dict[str, Any]], step: int) -> dict[str, Any]:
    """The fewest logs that reach 80 %, by doubling and halving."""

    def reaches(logs: int) -> bool:
        return bool(told(logs)["power"] >= WANTED)

    low, high = step, 2 * step
    while not reaches(high) and high < MOST_LOGS:
        low, high = high, min(2 * high, MOST_LOGS)
    if not reaches(high):
        seen = f"{MOST_LOGS} logs see it in {told(high)['power']:.0%} of trials"
        reason = f"{seen}; more were not tried"
        return told(high) | {"n_logs": np.nan, "n_pieces": np.nan, "reason": reason}
    while low > step and high - low > step:
        middle = low + step * max((high - low) // (2 * step), 1)
        low, high = (low, middle) if reaches(middle) else (middle, high)
    return told(high) | {"reason": ""}
