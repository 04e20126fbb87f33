"""The curves of a season's pieces at any parameters, and their slopes."""

from __future__ import annotations

from copy import copy
from typing import Self

import numpy as np

from woodlab.drying import kernel
from woodlab.drying.estimator.model import SeasonModel
from woodlab.drying.laws import Rows
from woodlab.drying.laws.law import START, Values

SMALL = 0.05  # of the usual steps of the parameters


class SeasonCurves(SeasonModel):
    """A season's curves."""

    def some(self, pick: np.ndarray) -> Self:
        """Some pieces, for their curves alone: of the rest only `d` is cut down."""
        if pick.size == self.d.n:
            return self
        out = copy(self)
        out.d = self.d.take(pick)
        return out

    def kappa(self, beta: np.ndarray) -> np.ndarray:
        """What each piece shares, (..., n, c), of effects (..., effects)."""
        return np.einsum("nce,...e->...nc", self.system.x[:, len(self.local) :], beta)

    def bias(self, kappa: np.ndarray) -> np.ndarray:
        """Bias of the log of each place [%RH], (..., places), of kappa (..., c)."""
        places = len(self.d.shelf.places)
        if not self.instruments:
            return np.zeros((*kappa.shape[:-1], places))
        names = self.d.shelf.places
        of = {p: kappa[..., self.at[f"hygrometer, {p}"]] for p in self.instruments}
        nothing = np.zeros(kappa.shape[:-1])  # where witness blocks stand for a log
        own = np.stack([of.get(p, nothing) for p in names[1:] or names], axis=-1)
        if places == 1:
            return own
        return np.concatenate([own.mean(axis=-1, keepdims=True), own], axis=-1)

    def wear_of(self, kappa: np.ndarray) -> np.ndarray | None:
        """Ln of the surface coefficient over its first value at the kernel's knots."""
        if not self.knots:
            return None
        first = self.at["wear 0"]
        grown = np.cumsum(kappa[..., first : first + self.knots], axis=-1)
        grown = np.concatenate([np.zeros((*grown.shape[:-1], 1)), grown], axis=-1)
        # the age of a seal begins when it is put on (anew); after its last knot it stays
        ages = kernel.KNOT_DAYS * np.arange(1, kernel.KNOTS + 1) - self.d.sealed_at[:, None]
        at = np.clip(ages / kernel.KNOT_DAYS, 0, self.knots)
        low = np.minimum(at.astype(int), self.knots - 1)
        part = at - low
        shape = (len(at), *[1] * (kappa.ndim - 2), kernel.KNOTS)
        low, part = low.reshape(shape), part.reshape(shape)
        low = np.broadcast_to(low, (*kappa.shape[:-1], kernel.KNOTS))
        value = (1 - part) * np.take_along_axis(grown, low, -1)
        value = value + part * np.take_along_axis(grown, low + 1, -1)
        sealed = self.d.sealed.reshape(-1, *[1] * (kappa.ndim - 1))
        return np.clip(value, -2, 2) * sealed

    def rows(
        self, u: np.ndarray, kappa: np.ndarray, sums: np.ndarray, which: np.ndarray, *,
        days: np.ndarray | None = None, counts: np.ndarray | None = None,
        grid: tuple[float, ...] = kernel.FINE, pace: dict[str, np.ndarray] | None = None,
    ) -> Rows:  # fmt: skip
        """Rows (n, m, q) of u and (n, m, c) of kappa, as the law takes them; n m in all."""
        d = self.d
        n, m = u.shape[:2]
        values = {p.name: p.natural(u[..., j]).ravel() for j, p in enumerate(self.own)}
        values[START] = np.exp(np.clip(u[..., self.start_at], 0.0, np.log(400.0))).ravel()
        for p in self.shared:
            values[p.name] = p.natural(kappa[..., self.at[p.name]]).ravel()
        for p in self.law.parameters:
            if p.name not in values:
                held = self.held.get(p.name, p.usual)
                values[p.name] = np.full(n * m, np.nan if held is None else float(held))
        shift = kappa[..., self.at["air offset"]] if self.groups else u[..., self.start_at + 1]
        wear = self.wear_of(kappa)
        return Rows(
            values, np.repeat(np.arange(n), m), d.days if days is None else days,
            d.counts if counts is None else counts, d.half_m, sums, which.ravel(), d.shelf.start,
            d.foot_ratio, shift.ravel(), None if wear is None else wear.reshape(n * m, -1), pace,
            grid,
        )  # fmt: skip

    def moisture(
        self, u: np.ndarray, kappa: np.ndarray, grid: tuple[float, ...] = kernel.FINE,
        pace: Values | None = None,
    ) -> np.ndarray:  # fmt: skip
        """Moisture at the weighings of one row a piece, (n, k) [%]."""
        return self.law.curves(self._one_each(u, kappa, grid, pace))

    def pace(self, u: np.ndarray, kappa: np.ndarray) -> Values:
        """The parameters there by piece, to set the time steps of others."""
        return self._one_each(u, kappa).values

    def _one_each(
        self, u: np.ndarray, kappa: np.ndarray, grid: tuple[float, ...] = kernel.FINE,
        pace: Values | None = None,
    ) -> Rows:  # fmt: skip
        sums = self.d.shelf.sums(self.bias(kappa[0]) if len(kappa) else 0.0)
        which = self.d.shelf.history[:, None]
        return self.rows(u[:, None], kappa[:, None], sums, which, grid=grid, pace=pace)

    def scales(self, kappa: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """What the scales make of a mass: the factor and the grams added, (n, k) each."""
        gain, zero = np.ones(self.d.days.shape), np.zeros(self.d.days.shape)
        for i in self.gains:
            name, on = self.d.scales[i], self.d.scale_of == i
            gain = np.where(on, np.exp(kappa[:, self.at[f"scale, {name}"], None]), gain)
            zero = np.where(on, kappa[:, self.at[f"zero, {name}"], None], zero)
        return gain, zero

    def slopes(
        self, u: np.ndarray, kappa: np.ndarray, grid: tuple[float, ...] = kernel.FINE,
        pace: Values | None = None,
    ) -> np.ndarray:  # fmt: skip
        """Slopes of the moisture in u and kappa, (n, q + c, k), by differences on equal steps.

        One number added to all moistures of a season is nearly free: start moisture, oven-dry
        mass, saturation and offset take it up together. What information there is along that
        direction is a small difference of large slopes, so the steps are small (SMALL of the usual
        ones), and the draws are made on a finer grid: on a coarse one the offset would look
        known twice as well as it is.
        """
        d, q = self.d, len(self.local)
        n, c = len(u), len(self.common)
        histories = len(d.shelf.place_of)
        bias = self.bias(kappa[0])
        courses = [d.shelf.sums(bias)]
        moving = [j for j, step in enumerate(self.steps) if step is not None]
        m = 1 + q + len(moving)
        asked = np.ones((n, m), dtype=bool)
        many_u = np.repeat(u[:, None], m, axis=1)
        many_k = np.repeat(kappa[:, None], m, axis=1)
        which = np.repeat(d.shelf.history[:, None], m, axis=1)
        step_u = SMALL * np.array(
            [*[1e-3] * (self.start_at + 1), *[0.05] * (q - self.start_at - 1)]
        )
        step_k = [SMALL * (step or 0.0) for step in self.steps]
        for j in range(q):
            many_u[:, 1 + j, j] += step_u[j]
        for r, j in enumerate(moving):
            many_k[:, 1 + q + r, j] += step_k[j]
            asked[:, 1 + q + r] = self._felt(self.common[j])
            if self.common[j].startswith("hygrometer"):
                moved = kappa[0].copy()
                moved[j] += step_k[j]
                which[:, 1 + q + r] += histories * len(courses)
                courses.append(d.shelf.sums(self.bias(moved)))
        sums = np.concatenate(courses)
        pace = self.pace(u, kappa) if pace is None else pace
        steps = {name: np.repeat(value, m) for name, value in pace.items()}
        rows = self.rows(many_u, many_k, sums, which, grid=grid, pace=steps)
        curves = np.empty((n, m, d.days.shape[1]))
        curves[asked] = self.law.curves(rows.take(asked.ravel()))
        curves = np.where(asked[..., None], curves, curves[:, :1])
        out = np.zeros((n, q + c, curves.shape[2]))
        out[:, :q] = (curves[:, 1 : 1 + q] - curves[:, :1]) / step_u[:, None]
        for r, j in enumerate(moving):
            out[:, q + j] = (curves[:, 1 + q + r] - curves[:, 0]) / step_k[j]
        return out

    def _felt(self, name: str) -> np.ndarray:
        """The pieces whose curves a shared number moves: the others' slopes need no run."""
        d = self.d
        if name.startswith("wear"):
            first = d.sealed_at + kernel.KNOT_DAYS * int(name[5:])
            # a seal put on later wears between the kernel's knots: from the knot before on
            first = np.where(d.sealed_at > 0, first - kernel.KNOT_DAYS, first)
            return d.sealed & (d.days.max(axis=1, initial=0.0) > first)
        if name.startswith("hygrometer"):
            place = d.shelf.places.index(name.removeprefix("hygrometer, "))
            there = np.isin(d.shelf.place_of, [0, place]).sum(axis=1) > 0
            return there[d.shelf.history]
        return np.ones(d.n, dtype=bool)
