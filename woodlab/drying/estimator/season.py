"""The estimator: a season of pieces under one law. A piece alone is a season with its groups off.

Gauss-Newton to the joint mode with the pieces eliminated, what is shared tempered, then draws of
the linear model about it (`posterior`). One rule for outliers: a residual beyond 3.5 standard
errors counts less.
"""

from __future__ import annotations

from dataclasses import replace
from typing import NamedTuple

import numpy as np
from scipy.optimize import minimize

from woodlab.drying import kernel
from woodlab.drying.estimator.effects import Eliminated
from woodlab.drying.estimator.mode import Linear, Mode
from woodlab.drying.estimator.model import MEMORY_DAYS, PIECE_DRY_SD
from woodlab.drying.estimator.weighing_error import Weighings, whitener
from woodlab.drying.laws.law import Values

# Estimates of our own.
# Slip [g], drift [% of oven-dry mass] and its memory [days]: median and spread of ln.
ERROR_PRIOR = ((0.8, 0.8), (0.1, 0.8), (MEMORY_DAYS, 1.2))
LOGGER_DAYS = 0.5
SETTLED_SD = 0.05  # a piece nearer to its mode than so many standard deviations is there
NEAR_SD = 0.3  # near enough to stop where steps gain nothing more
UNSETTLED_SD = 1.0  # one so far from it is not, and its row says so
GAIN = 0.05  # of ln posterior in a step, below which there is nothing more to be had
MOST_STEP = 0.8  # of ln of a parameter, in one step
JUDGES = 6.0  # pieces that what a season shares may learn from; tuned, see docs/calibration.md
ROUGH_STEPS = 3  # the first of a search, on a coarse grid
NEAR_GAIN = 1.0  # of ln posterior in a step: nearer to the mode the slopes are those of before
WORSE = 0.5  # a piece may lose so much by a step that gains for all
OPEN_SD = 3.0  # of a piece's own numbers, where what it says of the season is taken out


class Way(NamedTuple):
    """How the curves of a search are run: the grid, and whose time steps they take."""

    grid: tuple[float, ...]
    pace: Values | None


class Season(Weighings):
    """`Season(records, law).fit()` gives the mode; see `SeasonModel` for the arguments."""

    def tempered(self, linear: Linear, mode: Mode) -> Linear:
        """What the season shares learns from no more than JUDGES pieces.

        Where the law is wrong it is wrong for all pieces alike, so that a hundred of them do not
        tell a hundred times as much of what they share (offset, saturation, rise) as one. What a
        piece says of kappa beside its own numbers, the Schur complement of its information, counts
        by JUDGES/n; what it says of its own numbers given kappa is left whole. A witness block is
        no judge of the law: its oven-dry mass is known, and it counts in full.
        """
        m, n = len(self.local) + 1, self.d.n_pieces
        share = min(1.0, JUDGES / max(int((self.d.counts[:n] > 0).sum()), 1))
        if share == 1.0 or linear.a.shape[1] == m:
            return linear
        at = np.concatenate([mode.u, mode.ln_dry[:, None], self.kappa(mode.beta)], axis=1)[:n]
        a, away = linear.a.copy(), linear.b.copy()
        away[:n] -= np.einsum("nij,nj->ni", a[:n], at)  # the gradient here, not at zero
        own, cross = a[:n, :m, :m], a[:n, :m, m:]

        def explained(inverse: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
            to = (inverse @ cross).transpose(0, 2, 1)
            return to @ cross, np.einsum("nkm,nm->nk", to, away[:n, :m])

        # What is left whole is taken out exactly: with a prior on the piece's numbers the rest
        # would bend downwards where all of a group move together, and a large season had no mode.
        told, said = explained(np.linalg.pinv(own, rcond=1e-10, hermitian=True))
        less, fewer = explained(np.linalg.inv(own + np.eye(m) / OPEN_SD**2))
        a[:n, m:, m:] = told + share * (a[:n, m:, m:] - less)
        away[:n, m:] = said + share * (away[:n, m:] - fewer)
        away[:n] += np.einsum("nij,nj->ni", a[:n], at)
        return replace(linear, a=a, b=away)

    def _error_sizes(self, mode: Mode, linear: Linear) -> Mode:
        """Slip and drift at the maximum of their density, and the weights of odd weighings."""
        d, q = self.d, len(self.local)
        several = np.flatnonzero(d.counts >= 3)
        pick = several[np.argsort(-d.counts[several], kind="stable")][:60]
        if pick.size:
            prior = np.diag(
                np.r_[self.system.precision(mode.sds).mean(axis=0), 1 / PIECE_DRY_SD**2]
            )
            residual, jac = linear.residual[pick], linear.slopes[pick][..., : q + 1]

            middle, spread = np.array(ERROR_PRIOR).T

            def loss(ln: np.ndarray) -> float:
                root = whitener(d, mode, pick, np.exp(np.clip(ln, -6, 5)))
                r, j = np.einsum("nij,nj->ni", root, residual), root @ jac
                a, b = j.transpose(0, 2, 1) @ j + prior, np.einsum("nki,nk->ni", j, r)
                gain = (b * np.linalg.solve(a, b[..., None])[..., 0]).sum()
                out = -np.log(np.einsum("nii->ni", root)).sum()
                out += 0.5 * np.linalg.slogdet(a)[1].sum() + 0.5 * ((r**2).sum() - gain)
                return float(out + 0.5 * (((ln - np.log(middle)) / spread) ** 2).sum())

            start = np.log([mode.slip_g, mode.drift_pct, mode.memory_days])
            # the drift's memory is told only by a logger: weighings every few hours
            gaps = np.diff(d.days[pick], axis=1)[d.here[pick][:, 1:]]
            free = 3 if np.median(gaps) < LOGGER_DAYS else 2
            corners = start[:free] + np.vstack([np.zeros(free), 0.5 * np.eye(free)])
            found = minimize(
                lambda x: loss(np.r_[x, start[free:]]), start[:free], method="Nelder-Mead",
                options={"xatol": 0.02, "fatol": 0.02, "maxfev": 100, "initial_simplex": corners},
            )  # fmt: skip
            sizes = np.r_[found.x, start[free:]]
            slip, drift, memory = np.exp(np.clip(sizes, -6, 5))
        else:
            slip, drift, memory = mode.slip_g, mode.drift_pct, mode.memory_days
        dry = np.exp(mode.ln_dry)[:, None]
        usual = d.scale_g**2 / 12 + slip**2 + (drift / 100 * dry) ** 2
        odd = np.where(d.is_moisture, 0.0, linear.residual**2 / usual)
        weight = np.where(odd > 12, 6 / (5 + odd), 1.0)
        # where a quarter of the weighings is odd, it is the law that is odd and not they
        many = (d.here & (weight < 0.9)).sum(1) > np.maximum(d.counts / 4, 1)
        weight[(many | (d.counts < 4))[:, None] & (odd < 400)] = 1
        weight = np.where(self.blind, 1e-8, np.maximum(weight**2, 1e-8))
        return replace(
            mode, slip_g=float(slip), drift_pct=float(drift), memory_days=float(memory),
            weight=weight, error_dry=mode.ln_dry,
        )  # fmt: skip

    # ---- to the mode

    def start_from(self, earlier: Season, mode: Mode) -> Mode:
        """The mode of an earlier fit as the start of this one: of the same records with weighings
        held back, or of some of the pieces. Its species, seals and logs are the same."""
        d, q = self.d, len(self.local)
        weight = np.where(self.blind, 1e-8, 1.0)
        if earlier.d.n == d.n:
            return replace(mode, weight=weight)
        u = self.system.mid + mode.logs[d.of_log]
        u = u + np.einsum("nqe,e->nq", self.system.x[:, :q], mode.beta)
        good = np.where(d.here & ~d.is_moisture & ~self.blind, d.mass_g, 0).max(axis=1)
        ln_dry = np.log(np.maximum(good, 1.0) / (1 + np.exp(u[:, self.start_at]) / 100))
        at = {name: i for i, name in enumerate(d.names)}
        rows = [at[name] for name in earlier.d.names]
        u[rows], ln_dry[rows] = mode.u, mode.ln_dry
        return replace(
            mode, u=u, ln_dry=ln_dry, error_dry=ln_dry, weight=weight,
            defect=np.zeros(d.days.shape),
        )  # fmt: skip

    def guess(self) -> Mode:
        """A start: each piece's best of a grid of rates about its group's prior."""
        d, s = self.d, self.system
        q = s.q
        beta = s.mean.copy()
        u = s.mid + np.einsum("nqe,e->nq", s.x[:, :q], beta)
        for piece, ln in zip(*d.own_offcuts, strict=True):
            u[piece, s.start_at] = ln
        heavy = np.maximum(np.where(d.here & ~d.is_moisture & ~self.blind, d.mass_g, 0).max(1), 1.0)
        ln_dry = np.where(
            np.isfinite(d.dry_ln), d.dry_ln, np.log(heavy / (1 + np.exp(u[:, s.start_at]) / 100))
        )
        mode = Mode(
            u, ln_dry, np.zeros((s.n_logs, q)), beta, s.components.start(), 2.0, 1.0, MEMORY_DAYS,
            np.where(self.blind, 1e-8, 1.0), np.zeros(d.days.shape), ln_dry,
        )  # fmt: skip
        kappa = self.kappa(beta)
        tries = self._tries()
        best, best_u, best_dry = np.full(d.n, np.inf), u.copy(), ln_dry.copy()
        trial = u[:, None] + tries
        many = np.repeat(kappa[:, None], len(tries), axis=1)
        sums = d.shelf.sums(self.bias(kappa[0]))
        which = np.repeat(d.shelf.history[:, None], len(tries), axis=1)
        rows = self.rows(trial, many, sums, which, grid=kernel.COARSE)
        moisture = self.law.curves(rows).reshape(d.n, len(tries), -1)
        for j, away in enumerate(tries):
            dry, misfit = self.best_dry(moisture[:, j], kappa, mode)
            misfit = misfit + ((away / 1.0) ** 2).sum()
            better = misfit < best
            best_u[better], best_dry[better] = trial[better, j], dry[better]
            best = np.minimum(best, misfit)
        return replace(mode, u=best_u, ln_dry=best_dry, error_dry=best_dry, drift_pct=0.35)

    def _tries(self) -> np.ndarray:
        """Steps of the grid, (tries, q): rates, and a start from dry as well as from green."""
        rates = [(-1.5, -0.8, 0.0, 0.8, 1.5)] if len(self.own) == 1 else [
            (-0.7, 0.0, 0.7), (-1.5, -0.8, 0.0, 0.8, 1.5)
        ]  # fmt: skip
        grid = np.array(np.meshgrid(*rates, indexing="ij")).reshape(len(rates), -1).T
        out = np.zeros((len(grid), len(self.local)))
        out[:, : grid.shape[1]] = grid
        if self.groups:
            return out
        dry = out.copy()  # an air-dried blank of 25 % lies far from its species' green moisture
        dry[:, self.start_at] = -1.2
        return np.concatenate([out, dry])

    def own_misfit(
        self, mode: Mode, curves: np.ndarray, some: np.ndarray | None = None
    ) -> tuple[np.ndarray, np.ndarray]:
        """Minus ln posterior of `some` pieces on their curves, with oven-dry masses at their best;
        and ln of these masses."""
        s, q = self.system, len(self.local)
        some = np.arange(self.d.n) if some is None else some
        kappa = self.kappa(mode.beta)
        ln_dry, misfit = self.best_dry(curves + mode.defect[some], kappa, mode, some)
        gone, _, miss = s.misses(mode.beta, mode.logs, mode.u)
        own = (s.precision(mode.sds) * gone**2).sum(axis=1)
        np.add.at(own, s.own_offcuts[0], (miss / mode.sds[2 * q + 1]) ** 2)
        return 0.5 * (own[some] + misfit), ln_dry

    def shared_misfit(self, mode: Mode) -> float:
        """Minus ln posterior of effects and logs."""
        s, q = self.system, len(self.local)
        _, miss, _ = s.misses(mode.beta, mode.logs, mode.u)
        exists = np.array([c is not None for c in s.components.log])
        logs = mode.logs[:, exists] / mode.sds[:q][exists]
        told = (logs**2).sum() + ((miss / mode.sds[2 * q]) ** 2).sum()
        return s.prior_misfit(mode.beta) + 0.5 * float(told)

    def fit(self, start: Mode | None = None) -> Mode:
        """To the joint mode, what is shared tempered; from `start` where another fit was before."""
        mode = self.climb(start)
        if not self.common or self.quick:
            return mode
        linear = self.tempered(self.linearised(mode, self._final_slopes(mode)), mode)
        beta, _, _ = self._within_bounds(
            self.system.eliminate(linear.a, linear.b, mode.sds), linear, mode.sds
        )
        # the pieces once more, with what they share held where the tempered model has it
        shared = self.system.x[:, len(self.local) :].any(axis=(0, 1))
        whole = self.system
        self.system = replace(
            whole, mean=np.where(shared, beta, whole.mean), sd=np.where(shared, 1e-6, whole.sd)
        )
        try:
            held = replace(mode, beta=np.where(shared, beta, mode.beta))
            return self.climb(held, most=20)
        finally:
            self.system = whole

    def _final_slopes(self, mode: Mode) -> np.ndarray:
        grid = kernel.FINE if self.quick else kernel.FINER
        return self.slopes(mode.u, self.kappa(mode.beta), grid)

    def climb(self, start: Mode | None = None, most: int = 40) -> Mode:
        """To the joint mode of the linear model taken again and again (Gauss and Newton).

        The first steps of a search from afar are on a coarse grid. From then on all curves take
        the time steps of one point: with steps of its own each would bring the noise of the step
        control into the objective, which the last steps to the mode are too small to overcome.
        """
        mode = start if start is not None else self.guess()
        rough = ROUGH_STEPS if start is None else 0
        errors_at = (2, 4, 6) if start is None else (1, 3)
        way = Way(kernel.COARSE, None)
        curves = self.moisture(mode.u, self.kappa(mode.beta), *way)
        slopes, gained, calm = np.zeros(0), np.inf, False
        for it in range(most):
            kappa = self.kappa(mode.beta)
            if it == rough:
                way = Way(kernel.FINE, self.pace(mode.u, kappa))
                curves = self.moisture(mode.u, kappa, *way)
                if self.law.kernel_columns is not None:
                    fine = self.moisture(mode.u, kappa, kernel.FINEST)
                    mode = replace(mode, defect=fine - curves)
            fresh = it <= rough or gained > NEAR_GAIN or gained == 0.0
            if fresh:  # they change little near the mode
                slopes = self.slopes(mode.u, kappa, *way)
            linear = self.linearised(mode, slopes, curves)
            if it in errors_at:
                mode = self._error_sizes(mode, linear)
                linear = self.linearised(mode, slopes, curves)
            if self.groups:
                sds = mode.sds
                for _ in range(12):
                    sds = self.system.eliminate(linear.a, linear.b, sds).settled(sds)
                mode = replace(mode, sds=sds)
            left = self.system.eliminate(linear.a, linear.b, mode.sds)
            aim = self._within_bounds(left, linear, mode.sds)
            # how far each piece still is from its mode, in its own standard deviations
            spread = np.maximum(left.spread()[:, : len(self.local)], 0.01)
            away = (np.abs(aim[2] - mode.u) / spread).max(axis=1)
            mode, curves, gained = self._line_search(mode, curves, way, *aim)
            near = float((away < NEAR_SD).mean()) > 0.95
            settled = bool((away < SETTLED_SD).all()) or (
                gained < GAIN and calm and (near or it > 14)
            )
            calm = gained < GAIN
            mode = replace(
                mode, iterations=it + 1, away=away,
                converged=it + 1 < most and float((away > UNSETTLED_SD).mean()) < 0.05,
            )  # fmt: skip
            if it > max(errors_at) and (settled or (fresh and gained == 0.0)):
                break
        return mode

    def _within_bounds(
        self, left: Eliminated, linear: Linear, sds: np.ndarray
    ) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """The linear model's mode, with what the season shares inside its physical bounds.

        A parameter beyond its bound would be cut off there, have no slope, and be pulled back to
        its prior in the next step; held at the bound, the others find their best beside it.
        """
        system, bounds = self.system, {f"season, {p.name}": p for p in self.shared}
        for _ in range(3):
            beta, logs, u = left.solve()
            mean, sd, moved = system.mean.copy(), system.sd.copy(), False
            for i, (what, _) in enumerate(self.effects):
                p = bounds.get(what)
                if p is not None and not p.lower - 1e-6 <= beta[i] <= p.upper + 1e-6:
                    mean[i], sd[i], moved = np.clip(beta[i], p.lower, p.upper), 1e-7, True
            if not moved:
                break
            system = replace(system, mean=mean, sd=sd)
            left = system.eliminate(linear.a, linear.b, sds)
        return beta, logs, u[:, : len(self.local)]

    def _line_search(
        self, mode: Mode, curves: np.ndarray, way: Way,
        beta: np.ndarray, logs: np.ndarray, u: np.ndarray,
    ) -> tuple[Mode, np.ndarray, float]:  # fmt: skip
        """A share of the way to the linear model's mode that does not make things worse.

        Also the curves there, and the gain in ln posterior; 0 where no step was better.

        What is shared goes a common share; each piece goes on from there by its own whole step,
        and by a part of it where that makes it worse, since one piece on a curved ridge must not
        hold back the others.
        """
        own_before, _ = self.own_misfit(mode, curves)
        before = own_before.sum() + self.shared_misfit(mode)
        step = np.clip(u - mode.u, -MOST_STEP, MOST_STEP)
        for share in (1.0, 0.5, 0.2, 0.05, 0.0):
            trial = replace(
                mode, beta=mode.beta + share * (beta - mode.beta),
                logs=mode.logs + share * (logs - mode.logs), u=mode.u + step,
            )  # fmt: skip
            kappa, shared = self.kappa(trial.beta), self.shared_misfit(trial)
            tried = self.moisture(trial.u, kappa, *way)
            own, ln_dry = self.own_misfit(trial, tried)
            for part in (0.4, 0.1, 0.0):
                slack = WORSE if own.sum() + shared <= before else 0.0
                again = np.flatnonzero(own > own_before + slack)
                if not again.size:
                    break
                shorter = replace(trial, u=trial.u.copy())
                shorter.u[again] = mode.u[again] + part * step[again]
                pace = way.pace and {name: value[again] for name, value in way.pace.items()}
                drawn = self.some(again).moisture(shorter.u[again], kappa[again], way.grid, pace)
                new = np.pad(drawn, ((0, 0), (0, tried.shape[1] - drawn.shape[1])))
                own_new, dry_new = self.own_misfit(shorter, new, again)
                better = own_new < own[again]
                at = again[better]
                own[at], ln_dry[at], tried[at] = own_new[better], dry_new[better], new[better]
                trial.u[at] = shorter.u[at]
            gained = before - own.sum() - shared
            if gained >= -1e-6:
                return replace(trial, ln_dry=ln_dry), tried, gained
        return mode, curves, 0.0

    def eliminated(self, mode: Mode) -> tuple[Eliminated, Linear]:
        """The linear model at the mode, on the finest grid, what is shared tempered."""
        linear = self.tempered(self.linearised(mode, self._final_slopes(mode)), mode)
        return self.system.eliminate(linear.a, linear.b, mode.sds), linear
