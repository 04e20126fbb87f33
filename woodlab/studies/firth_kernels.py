"""The loops over rows of the penalised likelihood, compiled."""

# mypy: ignore-errors
# (numba infers the types of its functions; annotations there would not be checked)

from __future__ import annotations

import numpy as np
from numba import njit

_EXPONENT_LIMIT = 500.0


@njit(cache=True)
def row_parts(design, course, log_widths, offset, dense, columns, spread):
    """Linear predictor by row; fills each row's columns and the spread of its course.

    `columns` (n, p + m) gets the design and the mean of the course over the row's span, weighted
    by the rate; `spread` (n, m, m) the covariance of the course over it.
    """
    n, p = design.shape
    q, m = course.shape[1], course.shape[2]
    eta = np.empty(n)
    share = np.empty(q)
    for i in range(n):
        total = offset[i]
        for j in range(p):
            columns[i, j] = design[i, j]
            total += design[i, j] * dense[j]
        if q > 0:
            top = -np.inf
            for k in range(q):
                value = log_widths[i, k]
                for j in range(m):
                    value += course[i, k, j] * dense[p + j]
                share[k] = value
                top = max(top, value)
            whole = 0.0
            for k in range(q):
                share[k] = np.exp(share[k] - top)
                whole += share[k]
            total += top + np.log(whole)
            for j in range(m):
                mean = 0.0
                for k in range(q):
                    mean += share[k] * course[i, k, j]
                columns[i, p + j] = mean / whole
            for a in range(m):
                for b in range(a + 1):
                    value = 0.0
                    for k in range(q):
                        value += (
                            share[k]
                            * (course[i, k, a] - columns[i, p + a])
                            * (course[i, k, b] - columns[i, p + b])
                        )
                    spread[i, a, b] = value / whole
                    spread[i, b, a] = value / whole
        eta[i] = total
    return eta


@njit(cache=True)
def link_parts(logit, eta, events, weights, parts):
    """Fills, by row, slope, expected information and the slope of that; gives the likelihood."""
    loglik = 0.0
    for i in range(len(eta)):
        y, w = events[i], weights[i]
        if logit:
            mean = 1 / (1 + np.exp(-eta[i]))
            beyond = max(eta[i], 0.0) + np.log1p(np.exp(-abs(eta[i])))
            loglik += w * (y * eta[i] - beyond)
            information = mean * (1 - mean)
            parts[0, i] = w * (y - mean)
            parts[1, i] = w * information
            parts[2, i] = w * information * (1 - 2 * mean)
            continue
        rate = np.exp(min(eta[i], _EXPONENT_LIMIT))
        if rate < 1e-300:
            loglik += -np.inf if y > 0 else 0.0
            parts[0, i] = w * y
            parts[1, i] = 0.0
            parts[2, i] = 0.0
            continue
        chance = -np.expm1(-rate)
        share = rate / np.expm1(rate) if rate < 700 else 0.0
        if y > 0:
            loglik += w * y * np.log(chance)
        loglik -= w * (1 - y) * rate
        information = rate * share
        parts[0, i] = w * (y * share - (1 - y) * rate)
        parts[1, i] = w * information
        parts[2, i] = w * information * (2 - rate / chance)
    return loglik


@njit(cache=True)
def information_matrix(columns, information, group, diagonal, cross):
    """The dense block; fills the grouping's diagonal and its cross block where there is one."""
    n, width = columns.shape
    matrix = np.zeros((width, width))
    grouped = len(diagonal) > 0
    for i in range(n):
        for a in range(width):
            part = information[i] * columns[i, a]
            for b in range(a + 1):
                matrix[a, b] += part * columns[i, b]
            if grouped:
                cross[group[i], a] += part
        if grouped:
            diagonal[group[i]] += information[i]
    for a in range(width):
        for b in range(a):
            matrix[b, a] = matrix[a, b]
    return matrix


@njit(cache=True)
def lever_parts(columns, mean, group, kept, parts, spread, p, slope, slope_group):
    """Adds the slope of half the log determinant to `slope` and `slope_group`."""
    n, width = columns.shape
    m = width - p
    rest = np.empty(width)
    pulled = np.empty(width)
    grouped = len(slope_group) > 0
    for i in range(n):
        for a in range(width):
            rest[a] = columns[i, a] - (mean[group[i], a] if grouped else 0.0)
        height = 0.0
        for a in range(width):
            value = 0.0
            for b in range(width):
                value += kept[a, b] * rest[b]
            pulled[a] = value
            height += value * rest[a]
        lever = 0.5 * parts[2, i] * height
        for a in range(width):
            slope[a] += lever * columns[i, a]
        for a in range(m):
            for b in range(m):
                slope[p + b] += parts[1, i] * pulled[p + a] * spread[i, a, b]
        if grouped:
            slope_group[group[i]] += lever
