"""What varies by season, species, seal, log and piece, and the linear algebra of all of it.

A piece has local coordinates u (ln of its parameters, ln start moisture) and ln oven-dry mass w:

    u_i = mid_i + L_log(i) + X_i beta + e_i,   e ~ N(0, sd of the piece),   L ~ N(0, sd of the log),
    beta ~ N(mean, sd): one effect a species, a seal, or one for the season,
    kappa_i = K_i beta: what the season shares (air, law, scales, wear of the seals).

Linearised, the weighings of a piece say A_i (u, w, kappa) = b_i, so everything is Gaussian and is
eliminated from the inside out: pieces (a few numbers each), then logs (a few numbers each), then
the effects (some dozens). Each stage is a batch of small matrices: time and memory are linear in
pieces. Drawing runs the same way from the outside in.

Source of the elimination: the Schur complement of block Gaussian systems, as in any text on
mixed models (for example Searle, Casella and McCulloch, Variance Components, 1992).
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

import numpy as np
from scipy.linalg import solve_triangular

from woodlab.drying.laws import Scatter

NEVER = 1e12  # precision of an effect that does not exist
LEAST_SD = 0.008


@dataclass
class Effects:
    """The list of effects as it is built; `design` makes arrays of it.

    `add` is one kind of effect: labels, the label of each piece (-1: none of them), the coordinate
    that it adds to, prior mean and sd.
    """

    n: int
    names: list[tuple[str, str]] = field(default_factory=list)
    mean: list[float] = field(default_factory=list)
    sd: list[float] = field(default_factory=list)
    columns: list[tuple[int, np.ndarray]] = field(default_factory=list)

    def add(
        self, what: str, labels: Iterable[str], codes: np.ndarray | int, coordinate: int,
        mean: float | np.ndarray, sd: float | np.ndarray,
    ) -> None:  # fmt: skip
        labels = list(labels)
        first = len(self.names)
        self.names += [(what, str(label)) for label in labels]
        self.mean += list(np.broadcast_to(np.asarray(mean, float), len(labels)))
        self.sd += list(np.broadcast_to(np.asarray(sd, float), len(labels)))
        codes = np.broadcast_to(np.asarray(codes), self.n)
        self.columns.append((coordinate, np.where(codes >= 0, first + codes, -1)))

    def design(self, coordinates: int) -> np.ndarray:
        """(n, coordinates, effects), of zeros and ones."""
        out = np.zeros((self.n, coordinates, len(self.names)))
        for coordinate, column in self.columns:
            rows = np.flatnonzero(column >= 0)
            out[rows, coordinate, column[rows]] = 1.0
        return out


def effects_of_wood(names: Sequence[tuple[str, str]], what: str, species: str) -> list[int]:
    """Numbers of the effects that add up to a parameter of a wood."""
    season = (what, "all") if what == "air offset" else (f"season, {what}", "all")
    wanted = {season, (f"species, {what}", str(species))}
    return [i for i, name in enumerate(names) if name in wanted]


@dataclass(frozen=True)
class Components:
    """Standard deviations that are estimated: of logs and pieces by coordinate, of offcuts.

    `log[j]`, `piece[j]` are None where coordinate j does not vary so.
    """

    log: tuple[Scatter | None, ...]
    piece: tuple[Scatter | None, ...]
    log_offcut: Scatter
    own_offcut: Scatter

    @property
    def all(self) -> list[Scatter | None]:
        return [*self.log, *self.piece, self.log_offcut, self.own_offcut]

    def start(self) -> np.ndarray:
        return np.array([1e-6 if s is None else s.median for s in self.all])


@dataclass(frozen=True, eq=False)
class System:
    """The hierarchy around the linearised weighings of n pieces with q local coordinates.

    Attributes
    ----------
    x : ndarray, (n, q + c, effects)
        Design: rows below q add to local coordinates, the others make kappa.
    mean, sd : ndarray, (effects,)
    components : Components
    of_log, n_logs : ndarray (n,), int
    mid, own_sd : ndarray, (n, q)
        A piece's own centre, and the sd that is its own beside that of its component.
    own_offcuts, log_offcuts : tuple of ndarray
        Piece or log, and ln moisture.
    start_at : int
        The coordinate of ln start moisture.
    told : tuple of ndarray
        Sums of effects (k, effects) that earlier seasons tell of, their means and sds.
    """

    x: np.ndarray
    mean: np.ndarray
    sd: np.ndarray
    components: Components
    of_log: np.ndarray
    n_logs: int
    mid: np.ndarray
    own_sd: np.ndarray
    own_offcuts: tuple[np.ndarray, np.ndarray]
    log_offcuts: tuple[np.ndarray, np.ndarray]
    start_at: int
    told: tuple[np.ndarray, np.ndarray, np.ndarray]

    @property
    def q(self) -> int:
        return self.mid.shape[1]

    def prior_misfit(self, beta: np.ndarray) -> float:
        """Minus the ln prior density of the effects, but for a constant."""
        sums, mean, sd = self.told
        own = (((beta - self.mean) / self.sd) ** 2).sum()
        return float(0.5 * (own + (((sums @ beta - mean) / sd) ** 2).sum()))

    def log_design(self) -> np.ndarray:
        """Design of the start moisture of each log that has an offcut, (offcuts, effects)."""
        first = np.zeros(self.n_logs, dtype=int)
        first[self.of_log[::-1]] = np.arange(len(self.of_log))[::-1]
        return self.x[first[self.log_offcuts[0]], self.start_at]

    @property
    def counts(self) -> np.ndarray:
        """How many values each component is the spread of."""
        n, q = self.mid.shape
        offcuts = len(self.log_offcuts[0]), len(self.own_offcuts[0])
        return np.r_[np.full(q, self.n_logs), np.full(q, n), offcuts]

    def misses(
        self, beta: np.ndarray, logs: np.ndarray, u: np.ndarray
    ) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Pieces less their logs' (n, q), offcuts of logs and of pieces less what is true."""
        (at, ln), (piece, own_ln), q = self.log_offcuts, self.own_offcuts, self.q
        gone = u[:, :q] - self.mid - logs[self.of_log]
        gone -= np.einsum("nqe,e->nq", self.x[:, :q], beta)
        miss = ln - self.log_design() @ beta - logs[at, self.start_at]
        return gone, miss, own_ln - u[piece, self.start_at]

    def precision(self, sds: np.ndarray) -> np.ndarray:
        """1/variance of a piece about its group, (n, q)."""
        q = self.q
        total = np.sqrt(sds[q : 2 * q] ** 2 + self.own_sd**2)
        return 1 / np.maximum(total, 1e-6) ** 2

    def eliminate(self, a: np.ndarray, b: np.ndarray, sds: np.ndarray) -> Eliminated:
        """Pieces, then logs, out of the system; what is left is a density of the effects.

        `a` (n, q + 1 + c, q + 1 + c) and `b` (n, q + 1 + c) are the weighings' information.
        """
        q = self.q
        psi = self.precision(sds)
        m = q + 1
        inner, right = a[:, :m, :m].copy(), b[:, :m].copy()
        at = np.arange(q)
        inner[:, at, at] += psi
        right[:, :q] += psi * self.mid
        piece, ln = self.own_offcuts
        own = 1 / sds[2 * q + 1] ** 2
        np.add.at(inner[:, self.start_at, self.start_at], piece, own)
        np.add.at(right[:, self.start_at], piece, own * ln)
        c = np.linalg.inv(inner)
        xu, k = self.x[:, :q], self.x[:, q:]
        g = -a[:, :m, m:] @ k
        g[:, :q] += psi[..., None] * xu
        cg = c @ g
        cpsi = c[:, :, :q] * psi[:, None, :]  # C G_L: what a log's effect does to its piece
        # effects: prior, the pieces' own, and what the weighings say of kappa
        sums, mean, sd = self.told
        h = np.diag(1 / self.sd**2) + sums.T @ (sums / sd[:, None] ** 2)
        h += _outer(xu, psi[..., None] * xu) + _outer(k, a[:, m:, m:] @ k) - _outer(g, cg)
        r = self.mean / self.sd**2 + sums.T @ (mean / sd**2)
        r -= np.einsum("nje,nj->e", xu, psi * self.mid)
        r += np.einsum("nke,nk->e", k, b[:, m:]) + np.einsum("nme,nm->e", cg, right)
        # logs
        h_ll = -psi[..., None] * cpsi[:, :q]
        h_ll[:, at, at] += psi
        h_lb = psi[..., None] * (xu - cg[:, :q])
        r_l = psi * (np.einsum("nqm,nm->nq", c[:, :q], right) - self.mid)
        by_log = [np.zeros((self.n_logs, *v.shape[1:])) for v in (h_ll, h_lb, r_l)]
        for out, value in zip(by_log, (h_ll, h_lb, r_l), strict=True):
            np.add.at(out, self.of_log, value)
        h_ll, h_lb, r_l = by_log
        exists = np.array([s is not None for s in self.components.log])
        h_ll[:, at, at] += np.where(exists, 1 / np.maximum(sds[:q], 1e-9) ** 2, NEVER)
        log, ln = self.log_offcuts
        design, w = self.log_design(), 1 / sds[2 * q] ** 2
        np.add.at(h_ll[:, self.start_at, self.start_at], log, w)
        np.add.at(h_lb[:, self.start_at], log, w * design)
        np.add.at(r_l[:, self.start_at], log, w * ln)
        h += w * design.T @ design
        r += w * design.T @ ln
        c_l = np.linalg.inv(h_ll)
        j_l = -c_l @ h_lb  # how a log's mean moves with the effects
        h += _outer(h_lb, j_l)
        r += np.einsum("lqe,lq->e", j_l, r_l)
        mean_l = np.einsum("lqp,lp->lq", c_l, r_l)
        mean_u = np.einsum("nij,nj->ni", c, right)
        return Eliminated(self, c, cg, cpsi, mean_u, c_l, j_l, mean_l, h, r)


@dataclass(frozen=True, eq=False)
class Eliminated:
    """A system with its pieces and logs eliminated; see `System.eliminate`."""

    system: System
    c: np.ndarray
    cg: np.ndarray
    cpsi: np.ndarray
    mean_u: np.ndarray
    c_l: np.ndarray
    j_l: np.ndarray
    mean_l: np.ndarray
    h: np.ndarray
    r: np.ndarray

    def roots(self) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Lower roots of the covariances of pieces and logs, and of the effects' precision."""
        size = len(self.h)
        lower = np.linalg.cholesky(self.h + 1e-10 * np.eye(size)) if size else self.h
        return np.linalg.cholesky(self.c), np.linalg.cholesky(self.c_l), lower

    def solve(
        self, roots: tuple[np.ndarray, np.ndarray, np.ndarray] | None = None,
        noise: tuple[np.ndarray, np.ndarray, np.ndarray] | None = None,
    ) -> tuple[np.ndarray, np.ndarray, np.ndarray]:  # fmt: skip
        """The mean (beta, L, (u, w)), or a draw with standard normal `noise` of their shapes."""
        of = self.system.of_log
        root_u, root_l, lower = roots or self.roots()
        beta = np.zeros(0)
        if len(self.h):
            half = solve_triangular(lower, self.r, lower=True)
            half = half if noise is None else half + noise[0]
            beta = solve_triangular(lower, half, lower=True, trans=1)
        logs = self.mean_l + self.j_l @ beta
        if noise is not None:
            logs = logs + np.einsum("lqp,lp->lq", root_l, noise[1])
        u = self.mean_u + self.cg @ beta + np.einsum("nmq,nq->nm", self.cpsi, logs[of])
        if noise is not None:
            u = u + np.einsum("nij,nj->ni", root_u, noise[2])
        return beta, logs, u

    def spread(self) -> np.ndarray:
        """Posterior standard deviations of (u, w), (n, q + 1), logs and effects counted in."""
        of = self.system.of_log
        var = np.einsum("njj->nj", self.c).copy()
        var += ((self.cpsi @ self.c_l[of]) * self.cpsi).sum(axis=2)
        if len(self.h):
            to_b = self.cg + self.cpsi @ self.j_l[of]
            var += ((to_b @ np.linalg.inv(self.h)) * to_b).sum(axis=2)
        return np.sqrt(var)

    def settled(self, sds: np.ndarray) -> np.ndarray:
        """Components one step nearer to the mode of their own density (EM; no chance in it)."""
        s, q = self.system, self.system.q
        beta, logs, u = self.solve()
        cover = np.linalg.inv(self.h) if len(self.h) else self.h
        gone, miss, own_miss = s.misses(beta, logs, u)
        of, (at, _), (piece_at, _) = s.of_log, s.log_offcuts, s.own_offcuts
        to_l = self.cpsi[:, :q] - np.eye(q)  # of the piece's own part, in the log's effect
        to_b = self.cg[:, :q] - s.x[:, :q] + to_l @ self.j_l[of]
        var = np.einsum("njj->nj", self.c[:, :q, :q]).copy()
        var += ((to_l @ self.c_l[of]) * to_l).sum(axis=2)
        var += ((to_b @ cover) * to_b).sum(axis=2)
        # a piece with a spread of its own (an unknown wall) tells less of the component's
        share = sds[q : 2 * q] ** 2 / (sds[q : 2 * q] ** 2 + s.own_sd**2)
        piece = (share**2 * (gone**2 + var) + share * s.own_sd**2).sum(axis=0)
        var_l = np.einsum("lqq->lq", self.c_l).copy()
        var_l += ((self.j_l @ cover) * self.j_l).sum(axis=2)
        log = (logs**2 + var_l).sum(axis=0)
        to = s.log_design() + self.j_l[at, s.start_at]
        cut = (miss**2 + ((to @ cover) * to).sum(axis=1)).sum()
        cut += self.c_l[at, s.start_at, s.start_at].sum()
        own = (own_miss**2).sum() + self.c[piece_at, s.start_at, s.start_at].sum()
        return _modes(s.components, np.r_[log, piece, cut, own], s.counts)

    def drawn_sds(
        self, beta: np.ndarray, logs: np.ndarray, u: np.ndarray, uniform: np.ndarray
    ) -> np.ndarray:
        """Components given a draw of all else, by their inverse distribution function."""
        s = self.system
        gone, miss, own = s.misses(beta, logs, u)
        squares = np.r_[
            (logs**2).sum(axis=0), (gone**2).sum(axis=0), (miss**2).sum(), (own**2).sum()
        ]
        grid, ln_density = _density(s.components, squares, s.counts)
        total = np.exp(ln_density - ln_density.max(axis=1, keepdims=True)).cumsum(axis=1)
        pick = (total < uniform[:, None] * total[:, -1:]).sum(axis=1)
        out = np.exp(grid[np.arange(len(grid)), np.minimum(pick, grid.shape[1] - 1)])
        return _present(s.components, out)


def _outer(left: np.ndarray, right: np.ndarray) -> np.ndarray:
    """Sum over pieces and coordinates of left' right: (n, q, e), (n, q, f) to (e, f)."""
    rows = left.shape[0] * left.shape[1]
    return left.reshape(rows, left.shape[2]).T @ right.reshape(rows, right.shape[2])


def _present(components: Components, sds: np.ndarray) -> np.ndarray:
    return np.where([c is not None for c in components.all], sds, 1e-6)


def _density(
    components: Components, squares: np.ndarray, counts: np.ndarray, points: int = 120
) -> tuple[np.ndarray, np.ndarray]:
    """A grid of ln sd for each component and its ln density: likelihood and lognormal prior."""
    some = [c or Scatter(0.1, 0.5, 0.2) for c in components.all]
    low = np.full(len(some), np.log(LEAST_SD))
    high = np.log([c.most for c in some])
    grid = low[:, None] + (high - low)[:, None] * np.linspace(0, 1, points)
    away = (grid - np.log([c.median for c in some])[:, None]) / np.array([c.spread for c in some])[
        :, None
    ]
    return grid, (
        -counts[:, None] * grid - 0.5 * squares[:, None] * np.exp(-2 * grid) - 0.5 * away**2
    )


def _modes(components: Components, squares: np.ndarray, counts: np.ndarray) -> np.ndarray:
    grid, ln = _density(components, squares, counts, points=400)
    best = ln.argmax(axis=1)
    return _present(components, np.exp(grid[np.arange(len(grid)), best]))
