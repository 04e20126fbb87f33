"""Draws of a season under one law, and every curve that is asked of them.

The draws are of the linear model at the mode, moved onto the mode itself. Components of variance
are drawn in turn with all else (Gibbs). Draws come in opposite pairs, so that the mean of what is
linear in them carries no noise of the draws, and the seed moves it hardly at all.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import cached_property, partial
from typing import Any, NamedTuple

import numpy as np

from woodlab.drying import kernel
from woodlab.drying.estimator.mode import Mode
from woodlab.drying.estimator.season import Season
from woodlab.drying.fit.records import Records
from woodlab.drying.laws import Rows

BURN, BETWEEN = 15, 2
_MOST_CELLS = 4_000_000  # rows times times of one run: what fits a small machine's memory
_MOST_ROWS = 50_000  # of one run: larger arrays are slower to come by than to fill


class Draws(NamedTuple):
    """Of n pieces (blocks behind), d of each: u (n, d, q), ln_dry (n, d), beta (d, effects), sds
    (d, components)."""

    u: np.ndarray
    ln_dry: np.ndarray
    beta: np.ndarray
    sds: np.ndarray


@dataclass(frozen=True, eq=False)
class Posterior:
    """Draws of a season; they are made when they are first asked for.

    Attributes
    ----------
    season : Season
        Records, law, effects.
    mode : Mode
    count : int
        How many draws.
    make : function
        Gives the draws.
    u, ln_dry, beta, sds : ndarray
        See `Draws`.
    """

    season: Season
    mode: Mode
    count: int
    make: Callable[[], Draws]

    @classmethod
    def of(cls, season: Season, mode: Mode, draws: Draws) -> Posterior:
        """With draws that are made already."""
        return cls(season, mode, draws.u.shape[1], partial(Draws, *draws))

    @cached_property
    def draws(self) -> Draws:
        return self.make()

    @property
    def u(self) -> np.ndarray:
        return self.draws.u

    @property
    def ln_dry(self) -> np.ndarray:
        return self.draws.ln_dry

    @property
    def beta(self) -> np.ndarray:
        return self.draws.beta

    @property
    def sds(self) -> np.ndarray:
        return self.draws.sds

    def keep(self, which: np.ndarray) -> Posterior:
        """Some of the draws."""
        u, ln_dry, beta, sds = self.draws
        some = Draws(u[:, which], ln_dry[:, which], beta[which], sds[which])
        return Posterior.of(self.season, self.mode, some)

    def instead(self, season: Season, **changed: np.ndarray) -> Posterior:
        """The draws of another season, some of their arrays changed."""
        return Posterior.of(season, self.mode, self.draws._replace(**changed))

    def kappa(self) -> np.ndarray:
        """What is shared, (n, d, c)."""
        return np.moveaxis(self.season.kappa(self.beta), 0, 1)

    def shift_pct(self) -> np.ndarray:
        """Equilibrium of the wood above that of the (corrected) log, (n, d) [points]."""
        s = self.season
        if not s.groups:
            return self.u[..., s.start_at + 1]
        return self.kappa()[..., s.at["air offset"]]

    def bias(self) -> np.ndarray:
        """What the log of each place reads too high, (d, places) [%RH]."""
        return self.season.bias(self.kappa()[0])

    def curves(self, days: np.ndarray, sums: np.ndarray, **how: Any) -> np.ndarray:
        """Mean moisture of every draw on given days since turning, (p, d, k) [%].

        Parameters
        ----------
        days : ndarray, (p, k)
            Not decreasing along a row, but for padding of zeros behind its last.
        sums : ndarray, (d, histories, 2, days + 1)
            The air of each draw.
        how
            `pick` (p,), the pieces; `grid` of the kernel; `seal` (d, q), added to u: what another
            seal would change (see the sealing study).
        """
        out = [self.season.law.curves(rows) for rows in self._rows(days, sums, **how)]
        shape = (len(days), self.count, days.shape[1])
        return np.concatenate(out).reshape(shape) if out else np.zeros(shape)

    def largest_differences(self, days: np.ndarray, sums: np.ndarray, **how: Any) -> np.ndarray:
        """Largest core-to-surface difference up to the last of the days, (p, d) [points]."""
        rows = self._rows(days, sums, **how)
        out = [self.season.law.inside(some).largest_difference for some in rows]
        return np.concatenate(out).reshape(len(days), self.count)

    def _rows(
        self, days: np.ndarray, sums: np.ndarray, *, pick: np.ndarray | None = None,
        grid: tuple[float, ...] = kernel.FINE, seal: np.ndarray | None = None,
    ) -> Iterator[Rows]:  # fmt: skip
        """The rows of every draw, draw by draw, some pieces at a time."""
        s, d = self.season, self.count
        pick = np.arange(s.d.n) if pick is None else np.asarray(pick)
        days = np.maximum.accumulate(days, axis=1)
        flat, kappa = sums.reshape(-1, *sums.shape[2:]), self.kappa()
        chunk = max(1, min(_MOST_CELLS // max(d * days.shape[1], 1), _MOST_ROWS // d))
        for a in range(0, pick.size, chunk):
            part = pick[a : a + chunk]
            u = self.u[part] if seal is None else self.u[part] + seal
            history = s.d.shelf.history[part][:, None]
            yield s.some(part).rows(
                u, kappa[part], flat, np.arange(d) * sums.shape[1] + history,
                days=days[a : a + chunk], counts=np.full(part.size, days.shape[1]), grid=grid,
            )  # fmt: skip

    def past_sums(self) -> np.ndarray:
        """The air of each draw over the records, (d, histories, 2, days + 1)."""
        shelf = self.season.d.shelf
        level = shelf.equilibrium_pct[None] - self.bias()[..., None] * shelf.slope[None]
        return shelf.histories(level, shelf.warm)


def draw(season: Season, mode: Mode, count: int, seed: int = 0) -> Posterior:
    """`count` draws (made even) about the mode."""
    q = len(season.local)
    left, linear = season.eliminated(mode)
    mean_beta, _, mean_u = left.solve()
    rng, chain = np.random.default_rng(seed), np.random.default_rng(20)
    pairs = max((count + 1) // 2, 1)
    shapes = [(len(mean_beta),), left.mean_l.shape, mean_u.shape]
    sds, out = mode.sds, []

    def noise(source: np.random.Generator) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        z = [source.standard_normal(shape) for shape in shapes]
        return z[0], z[1], z[2]

    for i in range(-BURN if season.groups else 0, pairs):
        if season.groups:
            for _ in range(BETWEEN):
                left = season.system.eliminate(linear.a, linear.b, sds)
                state = left.solve(noise=noise(chain))
                sds = left.drawn_sds(*state, chain.random(len(sds)))
            left = season.system.eliminate(linear.a, linear.b, sds)
        if i < 0:
            continue
        z, roots = noise(rng), left.roots()
        for sign in (1.0, -1.0):
            beta, _, u = left.solve(roots, (sign * z[0], sign * z[1], sign * z[2]))
            out.append((u, beta, sds))
    u, beta, sds_all = (np.stack(part) for part in zip(*out, strict=True))
    u = np.moveaxis(u, 0, 1)
    # where the line search refused the linear model's mode, the draws belong about the true one
    u = u + (np.concatenate([mode.u, mode.ln_dry[:, None]], axis=1) - mean_u)[:, None]
    beta = beta + (mode.beta - mean_beta)
    ln_dry = possible(season.d, ~season.d.suspect, u[..., q])
    return Posterior.of(season, mode, Draws(u[..., :q], ln_dry, beta, sds_all))


def possible(d: Records, used: np.ndarray, ln_dry: np.ndarray) -> np.ndarray:
    """No oven-dry mass above the lightest weighing used of a piece that lost no wood."""
    good = d.here & used & ~d.is_moisture
    lightest = np.where(good, d.mass_g, np.inf).min(axis=1)
    for p, *_ in d.steps:
        lightest[p] = np.inf
    return np.minimum(ln_dry, np.log(np.maximum(lightest, 1e-6) * 1.001)[:, None])
