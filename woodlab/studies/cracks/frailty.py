"""The likelihood of pieces from logs: first cracks between looks, some of them overlooked.

A piece's likelihood is a sum over the spans in which its crack may have begun, each with the
chance that the looks in between overlooked it,

    L_i(u) = sum_j w_j [S(a_j) - S(b_j)],   S(t) = exp(-e^u Lambda(t)),

where u is its ln rate and Lambda the integral of the course. The ln rate of a log is normal with
standard deviation sd. It is integrated out, one dimension a log, by adaptive Gauss-Hermite
quadrature (Liu and Pierce 1994, Biometrika 81:624): the nodes are centred at the mode of each
log's integrand and scaled by its curvature, so that nine of them are exact to about six digits.
Plugging in the mode instead makes the spread between logs about a tenth too small.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import pandas as pd

from woodlab.studies.cracks.intervals import FirstCracks

NODES = 9
_X, _W = np.polynomial.hermite.hermgauss(NODES)
_LOG_W = np.log(_W) + _X**2 - 0.5 * np.log(2 * np.pi)


@dataclass(frozen=True, eq=False)
class Pieces:
    """Pieces sorted by log, and their spans sorted by piece.

    Attributes
    ----------
    design : array, shape (n, p)
    piece : array of int, shape (t,)
        The piece of each span, ascending.
    start, end : arrays of int, shape (t,)
        Places among the cut days; `end` is -1 where the span is open.
    weight : array, shape (t,)
    course, log_widths : arrays, shapes (d - 1, q, m) and (d - 1, q)
        Nodes between one cut day and the next; day 0 is the first of them.
    log : array of int, shape (n,), optional
        Codes 0, 1, ..., ascending; without it there is no spread between logs.
    nodes : int
        Of the quadrature; another number is for tests.
    """

    design: np.ndarray
    piece: np.ndarray
    start: np.ndarray
    end: np.ndarray
    weight: np.ndarray
    course: np.ndarray
    log_widths: np.ndarray
    log: np.ndarray | None = None
    nodes: int = NODES

    @cached_property
    def _first(self) -> np.ndarray:
        """Where each piece's spans begin."""
        return np.flatnonzero(np.r_[True, np.diff(self.piece) > 0])

    @cached_property
    def _first_piece(self) -> np.ndarray:
        """Where each log's pieces begin."""
        assert self.log is not None
        return np.flatnonzero(np.r_[True, np.diff(self.log) > 0])

    def cumulative(self, gamma: np.ndarray) -> np.ndarray:
        """Lambda at the cut days, shape (k, d), for gamma of shape (k, m)."""
        inside = self.log_widths[None] + np.einsum("dqm,km->kdq", self.course, gamma)
        steps = np.exp(np.clip(inside, -650, 200)).sum(axis=2)
        return np.concatenate([np.zeros((len(gamma), 1)), np.cumsum(steps, axis=1)], axis=1)

    def _parts(self, rate: np.ndarray, lam: np.ndarray) -> tuple[np.ndarray, ...]:
        """Spans' value and its two derivatives in u; rate (k, t, q), lam (k, d)."""
        is_open = (self.end < 0)[None, :, None]
        a = rate * lam[:, self.start, None]
        b = rate * lam[:, self.end, None]
        low = np.exp(-a)
        high = np.where(is_open, 0.0, np.exp(-np.minimum(b, 1e6)))
        b = np.where(is_open, 0.0, b)
        w = self.weight[None, :, None]
        value = w * np.where(is_open, low, low * -np.expm1(-np.maximum(b - a, 0.0)))
        return (
            value,
            w * (b * high - a * low),
            w * (b * (1 - b) * high - a * (1 - a) * low),
            low,
            high,
        )

    def _modes(
        self, u: np.ndarray, lam: np.ndarray, sd: np.ndarray
    ) -> tuple[np.ndarray, np.ndarray]:
        """Mode and width of each log's standardised effect, by Newton; shapes (k, logs)."""
        assert self.log is not None
        z = np.zeros((len(u), int(self.log[-1]) + 1))
        s = sd[:, None]
        curve = np.ones_like(z)
        for _ in range(12):
            rate = np.exp(np.clip(u + s * z[:, self.log], -80, 50))[:, self.piece, None]
            value, first, second, _, _ = self._parts(rate, lam)
            whole = np.maximum(np.add.reduceat(value, self._first, axis=1), 1e-300)
            d1 = np.add.reduceat(first, self._first, axis=1) / whole
            d2 = np.add.reduceat(second, self._first, axis=1) / whole - d1**2
            slope = s * np.add.reduceat(d1[:, :, 0], self._first_piece, axis=1) - z
            curve = 1 - s**2 * np.add.reduceat(d2[:, :, 0], self._first_piece, axis=1)
            curve = np.maximum(curve, 0.25)  # mixtures over overlooked spans need not be concave
            step = np.clip(slope / curve, -2.0, 2.0)
            z = z + step
            if np.abs(step).max() < 1e-5:
                break
        return z, 1 / np.sqrt(curve)

    def _split(self, theta: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        p, m = self.design.shape[1], self.course.shape[2]
        sd = np.exp(theta[:, p + m]) if self.log is not None else np.zeros(len(theta))
        return theta[:, :p] @ self.design.T, self.cumulative(theta[:, p : p + m]), sd

    def _nodes(
        self, u: np.ndarray, lam: np.ndarray, sd: np.ndarray
    ) -> tuple[np.ndarray, np.ndarray]:
        """Nodes z (k, logs, q) and ln of their weights."""
        x, log_w = _X, _LOG_W
        if self.nodes != NODES:
            x, w = np.polynomial.hermite.hermgauss(self.nodes)
            log_w = np.log(w) + x**2 - 0.5 * np.log(2 * np.pi)
        mode, width = self._modes(u, lam, sd)
        z = mode[:, :, None] + np.sqrt(2) * width[:, :, None] * x
        return z, log_w + np.log(np.sqrt(2) * width)[:, :, None] - z**2 / 2

    def logliks(self, theta: np.ndarray) -> np.ndarray:
        """The log-likelihood at several points, shape (k,), for theta of shape (k, size)."""
        u, lam, sd = self._split(theta)
        if self.log is None:
            value = self._parts(np.exp(np.clip(u, -80, 50))[:, self.piece, None], lam)[0]
            whole = np.add.reduceat(value, self._first, axis=1)
            return np.log(np.maximum(whole, 1e-300)).sum(axis=(1, 2))
        z, log_weight = self._nodes(u, lam, sd)
        at = u[:, :, None] + sd[:, None, None] * z[:, self.log, :]
        value = self._parts(np.exp(np.clip(at, -80, 50))[:, self.piece, :], lam)[0]
        whole = np.log(np.maximum(np.add.reduceat(value, self._first, axis=1), 1e-300))
        inside = np.add.reduceat(whole, self._first_piece, axis=1) + log_weight
        top = inside.max(axis=2)
        return (top + np.log(np.exp(inside - top[:, :, None]).sum(axis=2))).sum(axis=1)

    def loglik(self, theta: np.ndarray) -> tuple[float, np.ndarray]:
        """The log-likelihood and its slope; the integrand's slope averaged over the nodes."""
        one = theta[None, :]
        u, lam, sd = self._split(one)
        p, m = self.design.shape[1], self.course.shape[2]
        n = len(self.design)
        if self.log is None:
            z, log_weight = np.zeros((1, n, 1)), np.zeros((1, n, 1))
            log, first_piece = np.arange(n), np.arange(n)
        else:
            z, log_weight = self._nodes(u, lam, sd)
            log, first_piece = self.log, self._first_piece
        at = u[:, :, None] + sd[:, None, None] * z[:, log, :]
        rate = np.exp(np.clip(at, -80, 50))[:, self.piece, :]
        value, first, _, low, high = self._parts(rate, lam)
        whole = np.maximum(np.add.reduceat(value, self._first, axis=1), 1e-300)
        inside = np.add.reduceat(np.log(whole), first_piece, axis=1) + log_weight
        top = inside.max(axis=2, keepdims=True)
        total = np.exp(inside - top).sum(axis=2, keepdims=True)
        share = np.exp(inside - top) / total  # the nodes' posterior weights (1, logs, q)
        d1 = np.add.reduceat(first, self._first, axis=1) / whole * share[:, log, :]
        slope = np.zeros(len(theta))
        slope[:p] = self.design.T @ d1.sum(axis=2)[0]
        if m:
            pull = self.weight[None, :, None] * rate / whole[:, self.piece, :]
            pull = pull * share[:, log, :][:, self.piece, :]
            days = len(lam[0])
            by_day = np.bincount(self.start, -(pull * low).sum(axis=2)[0], days)
            by_day += np.bincount(
                np.where(self.end < 0, 0, self.end), (pull * high).sum(axis=2)[0], days
            )
            inside_course = np.exp(
                np.clip(self.log_widths + self.course @ theta[p : p + m], -650, 200)
            )
            steps = np.einsum("dq,dqm->dm", inside_course, self.course)
            slope[p : p + m] = by_day[1:] @ np.cumsum(steps, axis=0)
        if self.log is not None:
            slope[p + m] = float((d1 * sd[0] * z[:, log, :]).sum())
        return float((top[:, :, 0] + np.log(total[:, :, 0])).sum()), slope


@dataclass(frozen=True)
class Misses:
    """How often a look overlooks a crack, by its length: exp(-(length - smallest) / scale_mm).

    A crack at the threshold of detection is always overlooked, one three scales longer in one
    look of twenty. Prior, said aloud: the scale is 3 mm, between 0.8 and 12 mm in nineteen books
    of twenty (our own guess: a look then overlooks 19 % of cracks of 5 mm, 4 % of 10 mm). Looks
    between two finds of one crack that was not glued sharpen it: each either saw it or did not.

    Attributes
    ----------
    scale_mm, lower_mm, upper_mm : float
        Posterior mean and 95 % limits.
    n_seen, n_missed : int
        Looks at a crack known to be there, and those of them that overlooked it.
    typical_mm : float
        The middle length at first find in this book.
    """

    scale_mm: float
    lower_mm: float
    upper_mm: float
    n_seen: int
    n_missed: int
    typical_mm: float
    smallest_mm: float = 0.0

    def chance(self, length_mm: np.ndarray | float) -> np.ndarray:
        """That one look overlooks a crack of that length."""
        over = np.maximum(np.asarray(length_mm, dtype=float) - self.smallest_mm, 0.0)
        return np.minimum(np.exp(-over / max(self.scale_mm, 1e-9)), MOST_MISSED)

    def frame(self, lengths_mm: Sequence[float] = (2, 5, 10, 20, 40)) -> pd.DataFrame:
        """`length_mm`, `missed` (a share of looks), its limits, `n_seen`, `n_missed`."""
        over = np.maximum(np.asarray(lengths_mm, dtype=float) - self.smallest_mm, 0.0)
        ends = [np.exp(-over / scale) for scale in (self.scale_mm, self.lower_mm, self.upper_mm)]
        frame = pd.DataFrame({"length_mm": np.asarray(lengths_mm, dtype=float)})
        frame["missed"], frame["ci_lower"], frame["ci_upper"] = ends
        return frame.assign(n_seen=self.n_seen, n_missed=self.n_missed)


PRIOR_SCALE_MM, PRIOR_LN_SD = 3.0, 0.7
MOST_MISSED = 0.9
# A crack at an earlier look was shorter than when it was found: half as long (our own guess).
EARLIER_SHARE = 0.5
# With a chance smaller than this that a crack began there, a span is left out of the sum.
LEAST_WEIGHT = 1e-3


def estimate_misses(first: FirstCracks) -> Misses:
    """The scale of `Misses` from this book's looks at cracks known to be there, and the prior."""
    lengths, missed = _trials(first)
    ln_scale = np.linspace(-3.5, 3.5, 141) * PRIOR_LN_SD + np.log(PRIOR_SCALE_MM)
    over = np.maximum(lengths - first.smallest_mm, 0.1)
    chance = np.clip(np.exp(-over[None, :] / np.exp(ln_scale)[:, None]), 1e-12, 1 - 1e-12)
    log = -0.5 * ((ln_scale - np.log(PRIOR_SCALE_MM)) / PRIOR_LN_SD) ** 2
    log = log + np.where(missed[None, :], np.log(chance), np.log1p(-chance)).sum(axis=1)
    weight = np.exp(log - log.max())
    weight /= weight.sum()
    ends = np.interp([0.025, 0.975], np.cumsum(weight), np.exp(ln_scale))
    found = first.used.loc[first.used["cracked"], "first_crack_mm"].dropna()
    typical = float(found.median()) if len(found) else 10.0 + first.smallest_mm
    return Misses(
        float(weight @ np.exp(ln_scale)), float(ends[0]), float(ends[1]),
        int((~missed).sum()), int(missed.sum()), typical, first.smallest_mm,
    )  # fmt: skip


NO_MISSES = Misses(1e-9, 1e-9, 1e-9, 0, 0, 10.0)


def _trials(first: FirstCracks) -> tuple[np.ndarray, np.ndarray]:
    """Looks strictly between two finds of one crack left open: its length then, and if missed."""
    lengths: list[float] = []
    missed: list[bool] = []
    cracked = first.used.loc[first.used["cracked"], "piece"]
    for _, mine in first.looks[first.looks["piece"].isin(cracked)].groupby("piece", sort=False):
        glued = np.flatnonzero((mine["action"] == "glued").to_numpy())
        until = glued[0] if len(glued) else None
        mm, hit = mine["crack_mm"].to_numpy(float)[:until], mine["crack"].to_numpy(bool)[:until]
        seen = np.flatnonzero(hit)
        for at in range(seen[0] + 1, seen[-1]) if len(seen) > 1 else ():
            ends = mm[seen[seen < at][-1]], mm[seen[seen > at][0]]
            length = float(mm[at] if hit[at] else np.fmin(*ends))
            if np.isfinite(length):
                lengths.append(length)
                missed.append(not hit[at])
    return np.array(lengths, dtype=float), np.array(missed, dtype=bool)


def spans_of(first: FirstCracks, misses: Misses) -> pd.DataFrame:
    """Where each piece's first crack may have begun, with the weight of what was overlooked.

    Returns
    -------
    DataFrame
        `piece`, `from_days`, `to_days` (infinite: after the last look, or never), `weight` (the
        chance that each look from the end of the span on overlooked it). The piece's likelihood
        is the sum of weight times the chance that it began there.
    """
    used = first.used.set_index("piece")
    rows: list[tuple[object, float, float, float]] = []
    for piece, mine in first.intervals.groupby("piece", sort=False):
        start, end = mine["from_days"].to_numpy(float), mine["to_days"].to_numpy(float)
        cracked = bool(mine["cracked"].iloc[-1])
        length = used.at[piece, "first_crack_mm"] if cracked else misses.typical_mm
        length = misses.typical_mm if not np.isfinite(length) else length
        missed = float(misses.chance(first.smallest_mm + EARLIER_SHARE
                                     * (length - first.smallest_mm)))  # fmt: skip
        # The look that found it ends the last span; without a find, all looks missed it.
        looks_after = np.arange(len(start))[::-1] + (0 if cracked else 1)
        weight = missed ** looks_after.astype(float)
        keep = weight >= LEAST_WEIGHT
        rows += [(piece, a, b, w) for a, b, w in
                 zip(start[keep], end[keep], weight[keep], strict=True)]  # fmt: skip
        if not cracked:
            rows.append((piece, float(end[-1]), np.inf, 1.0))
    return pd.DataFrame(rows, columns=["piece", "from_days", "to_days", "weight"])
