"""Compiled loops behind the drying laws. Imported only when a law is computed (numba is slow to
load); the equations, units and sources stand in `modes`, `two_period` and `slab`.

Conventions of every loop here: time in days; rates per day; moisture in percent; a course of air
is an array with one equilibrium moisture a day, constant within the day, the first holding from
course time 0 to 1. A piece begins at course time `start`, at moisture 1 or `start_moisture`.
"""

# mypy: ignore-errors
# (numba infers the types of its functions; annotations there would not be checked)

from __future__ import annotations

import math

import numpy as np
from numba import njit

SHORT_FO = 0.04  # below it the half-space form is right to 1e-12, above it ten modes are
MOST_MODES = 64
_GONE = 25.0  # exp(-25) = 1e-11: a mode that has decayed so far is left out
_SQRT_PI = math.sqrt(math.pi)


@njit(cache=True, nogil=True)
def erfcx(x):
    """exp(x^2) erfc(x) for x >= 0: directly below 8, by its continued fraction above."""
    if x < 8.0:
        return math.exp(x * x) * math.erfc(x)
    tail = 0.0
    for k in range(24, 0, -1):
        tail = 0.5 * k / (x + tail)
    return 1.0 / ((x + tail) * _SQRT_PI)


@njit(cache=True, nogil=True)
def sheet_root(biot, n):
    """The n-th root (n = 0, 1, ...) of b tan b = biot, by Newton on b - n pi - atan(biot/b)."""
    if n == 0:
        b = math.sqrt(biot / (1.0 + biot * 4.0 / (math.pi * math.pi)))
        if b == 0.0:
            return 0.0
    else:
        b = n * math.pi + math.atan(biot / (n * math.pi + 0.5))
    for _ in range(8):
        step = (b - n * math.pi - math.atan2(biot, b)) / (1.0 + biot / (b * b + biot * biot))
        b -= step
        if abs(step) < 1e-15 * b:
            break
    return b


@njit(cache=True, nogil=True)
def sheet_weight(biot, b):
    """Share of the mean moisture that the mode with root b carries."""
    if b == 0.0:
        return 1.0
    ratio = b / biot
    # 2 L^2/(b^2 (b^2 + L^2 + L)), divided through by L^2 so that a large L does no harm
    return 2.0 / (b * b * (ratio * ratio + 1.0 + 1.0 / biot))


@njit(cache=True, nogil=True)
def short_time_loss(fo, biot):
    """1 - E of the half-space: what has left before the middle of the wall notices."""
    x = biot * math.sqrt(fo)
    if x < 0.05:
        # erfcx(x) - 1 + 2x/sqrt(pi) by its series: the plain form loses its digits here
        term, total, k = x * x, 0.0, 2
        while k < 14:
            total += (1.0 if k % 2 == 0 else -1.0) * x**k / math.gamma(k / 2 + 1)
            k += 1
        return total / biot if term > 0 else 0.0
    return (erfcx(x) - 1.0 + 2.0 * x / _SQRT_PI) / biot


@njit(cache=True, nogil=True)
def sheet_remaining(fo, biot):
    """E(Fo): the share of the change that is yet to come, mean over the wall, constant air."""
    if fo <= 0.0:
        return 1.0
    if biot == 0.0:
        return 1.0
    if fo < SHORT_FO:
        if math.isinf(biot):
            return 1.0 - 2.0 * math.sqrt(fo / math.pi)
        return 1.0 - short_time_loss(fo, biot)
    total = 0.0
    for n in range(MOST_MODES):
        if math.isinf(biot):
            b = (n + 0.5) * math.pi
            weight = 2.0 / (b * b)
        else:
            b = sheet_root(biot, n)
            weight = sheet_weight(biot, b)
        decay = b * b * fo
        if decay > 700.0:
            break
        part = weight * math.exp(-decay)
        total += part
        if part < 1e-14:
            break
    return total


@njit(cache=True, nogil=True)
def fill_sheet_modes(fo_per_day, biot, rates, weights):
    """Modes of the plane sheet into `rates`, `weights`; returns how many are needed.

    Enough are taken that those left out have settled within one day, or weigh nothing.
    """
    left = 1.0
    for n in range(rates.size):
        if math.isinf(biot):
            b = (n + 0.5) * math.pi
            weights[n] = 2.0 / (b * b)
        else:
            b = sheet_root(biot, n)
            weights[n] = sheet_weight(biot, b)
        rates[n] = b * b * fo_per_day
        left -= weights[n]
        if rates[n] > _GONE or left < 1e-11:
            return n + 1
    return rates.size


@njit(cache=True, nogil=True)
def _late(tau, rates, weights, count, sheet, fo_per_day, biot):
    """What the modes beyond `count` still remember `tau` days after a step of one."""
    if tau <= 0.0:
        rest = 1.0
        for j in range(count):
            rest -= weights[j]
        return rest
    if not sheet:
        return 0.0
    rest = sheet_remaining(fo_per_day * tau, biot)
    for j in range(count):
        rest -= weights[j] * math.exp(-rates[j] * tau)
    return rest


@njit(cache=True, nogil=True)
def drive_one(days, rates, weights, count, course, start, sheet, fo_per_day, biot, decay, forced):
    """One piece through a daily course: moisture(t) = start_moisture decay(t) + forced(t).

    Each mode follows du/dt = rate (air - u) and has an exact step over a day of constant air.
    `sheet`: the modes left out are those of a plane sheet (their share is exact at any time);
    otherwise nothing is left out. `days` must not decrease.
    """
    state = np.zeros(count)
    whole = np.empty(count)
    for j in range(count):
        whole[j] = math.exp(-rates[j])
    rest = 1.0
    for j in range(count):
        rest -= weights[j]
    last = course.size - 1
    now = start
    day = min(max(int(math.floor(now)), 0), last)
    first = course[day]
    for i in range(days.size):
        goal = start + days[i]
        while now < goal:
            edge = math.floor(now) + 1.0
            day = min(max(int(math.floor(now)), 0), last)
            air = course[day]
            end = min(edge, goal)
            if end - now == 1.0:
                for j in range(count):
                    state[j] = air + (state[j] - air) * whole[j]
            else:
                for j in range(count):
                    state[j] = air + (state[j] - air) * math.exp(-rates[j] * (end - now))
            now = end
        total = 0.0
        remaining = 0.0
        for j in range(count):
            total += weights[j] * state[j]
            remaining += weights[j] * math.exp(-rates[j] * days[i])
        if sheet and abs(rest) > 1e-11:
            late = _late(days[i], rates, weights, count, sheet, fo_per_day, biot)
            remaining += late
            # the fast modes stand at the air of now, less what they remember of each change
            air = course[day] if days[i] > 0 else first
            total += rest * air - first * late
            back = day
            while back > 0 and back > start:
                tau = goal - back
                fast = rates[count - 1] * tau
                if fast > _GONE:
                    break
                late = _late(tau, rates, weights, count, sheet, fo_per_day, biot)
                total -= (course[back] - course[back - 1]) * late
                back -= 1
        decay[i] = remaining
        forced[i] = total


@njit(cache=True, nogil=True)
def drive_sheet(days, fo_per_day, biot, courses, which, start, decay, forced):
    """Plane sheets through daily air, many at once; see `drive_one`."""
    rates = np.empty(MOST_MODES)
    weights = np.empty(MOST_MODES)
    for p in range(days.shape[0]):
        count = fill_sheet_modes(fo_per_day[p], biot[p], rates, weights)
        drive_one(
            days[p], rates, weights, count, courses[which[p]], start[p], True,
            fo_per_day[p], biot[p], decay[p], forced[p],
        )  # fmt: skip


@njit(cache=True, nogil=True)
def drive_modes(days, rates, weights, courses, which, start, decay, forced):
    """Pieces of a few given modes through daily air, many at once; see `drive_one`."""
    for p in range(days.shape[0]):
        drive_one(
            days[p], rates[p], weights[p], rates.shape[1], courses[which[p]], start[p], False,
            0.0, 1.0, decay[p], forced[p],
        )  # fmt: skip


@njit(cache=True, nogil=True)
def remaining_many(fo, biot, out):
    """`sheet_remaining` over a table: fo (n, k), biot (n,)."""
    for p in range(fo.shape[0]):
        for i in range(fo.shape[1]):
            out[p, i] = sheet_remaining(fo[p, i], biot[p])


@njit(cache=True, nogil=True)
def two_period_one(days, start_moisture, rate, critical, course, start, out):
    """One piece of the two-period law through a daily course; exact within each day."""
    last = course.size - 1
    now = start
    m = start_moisture
    for i in range(days.size):
        goal = start + days[i]
        while now < goal:
            edge = math.floor(now) + 1.0
            air = course[min(max(int(math.floor(now)), 0), last)]
            end = min(edge, goal)
            m = two_period_step(m, end - now, rate, critical, air)
            now = end
        out[i] = m


@njit(cache=True, nogil=True)
def two_period_step(m, days, rate, critical, air):
    """Moisture after `days` of constant air."""
    speed = rate * (critical - air)  # points a day while the surface is wet
    if m > critical:
        if speed <= 0.0:
            return m - speed * days
        wet_days = (m - critical) / speed
        if wet_days >= days:
            return m - speed * days
        return air + (critical - air) * math.exp(-rate * (days - wet_days))
    dried = air + (m - air) * math.exp(-rate * days)
    if dried > critical:  # air wetter than the critical moisture: the change, upward
        dry_days = math.log((air - m) / (air - critical)) / rate
        return critical - speed * (days - dry_days)
    return dried


@njit(cache=True, nogil=True)
def two_period_many(days, start_moisture, rate, critical, courses, which, start, out):
    for p in range(days.shape[0]):
        two_period_one(
            days[p], start_moisture[p], rate[p], critical[p], courses[which[p]], start[p], out[p]
        )


@njit(cache=True, nogil=True)
def difference_modes(days, fo_per_day, biot, start_moisture, courses, which, start, out, largest):
    """Core less surface moisture of plane sheets: at the days asked, and its largest value.

    The largest is taken over the ends of the days of the course up to the last day asked, and
    over eight times within the first day.
    """
    modes = 48
    rates = np.empty(modes)
    span = np.empty(modes)
    state = np.empty(modes)
    for p in range(days.shape[0]):
        course = courses[which[p]]
        last = course.size - 1
        for j in range(modes):
            if math.isinf(biot[p]):
                b = (j + 0.5) * math.pi
            else:
                b = sheet_root(biot[p], j)
            rates[j] = b * b * fo_per_day[p]
            s, c = math.sin(b), math.cos(b)
            if math.isinf(biot[p]):
                s, c = (1.0 if j % 2 == 0 else -1.0), 0.0
            span[j] = 2.0 * s / (b + s * c) * (1.0 - c)
            state[j] = start_moisture[p]
        now = start[p]
        most = 0.0
        for i in range(days.shape[1]):
            goal = start[p] + days[p, i]
            while now < goal:
                edge = math.floor(now) + 1.0
                if now < start[p] + 1.0:
                    edge = min(edge, now + 0.125)
                air = course[min(max(int(math.floor(now)), 0), last)]
                end = min(edge, goal)
                total = 0.0
                for j in range(modes):
                    state[j] = air + (state[j] - air) * math.exp(-rates[j] * (end - now))
                    total += span[j] * (state[j] - air)
                most = max(most, total)
                now = end
            total = 0.0
            air = course[min(max(int(math.ceil(now)) - 1, 0), last)]
            for j in range(modes):
                total += span[j] * (state[j] - air)
            out[p, i] = total if days[p, i] > 0 else 0.0
        largest[p] = most
