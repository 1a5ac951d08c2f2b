"""Run rules of control charts: patterns that a steady process seldom shows.

Takes values in sigmas from the centre line, in order of time. A rule fires at the value that completes its pattern and
is part of it. A value on the centre line lies on neither side; on a zone's border it is not beyond it.
Western Electric, Statistical Quality Control Handbook (1956); Nelson, Journal of Quality Technology 16 (1984) 237-239.
"""

from __future__ import annotations

from math import comb

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtr

Fired = dict[int, NDArray[np.bool_]]

WESTERN_ELECTRIC = {
    1: "1 value beyond 3 sigma",
    2: "2 of 3 beyond 2 sigma on one side",
    3: "4 of 5 beyond 1 sigma on one side",
    4: "8 in a row on one side",
}
NELSON = {
    1: "1 value beyond 3 sigma",
    2: "9 in a row on one side",
    3: "6 in a row, each above (or each below) the one before",
    4: "14 in a row, up and down in turn",
    5: "2 of 3 beyond 2 sigma on one side",
    6: "4 of 5 beyond 1 sigma on one side",
    7: "15 in a row within 1 sigma",
    8: "8 in a row beyond 1 sigma, on both sides",
}


def western_electric(values: ArrayLike) -> Fired:
    """Tell for each of the four rules at which values it fires."""
    z = np.asarray(values, dtype=np.float64)
    return {
        1: np.abs(z) > 3,
        2: _some_of(z, 2, 3, 2),
        3: _some_of(z, 4, 5, 1),
        4: _all_of(z > 0, 8) | _all_of(z < 0, 8),
    }


def nelson(values: ArrayLike) -> Fired:
    """Tell for each of the eight rules at which values it fires."""
    z = np.asarray(values, dtype=np.float64)
    step = np.sign(np.diff(z, prepend=np.nan))
    turns = np.concatenate([[False], step[1:] * step[:-1] < 0]) if z.size else np.zeros(0, bool)
    far, sides = _all_of(np.abs(z) > 1, 8), _count(z > 0, 8)
    return {
        1: np.abs(z) > 3,
        2: _all_of(z > 0, 9) | _all_of(z < 0, 9),
        3: _all_of(step > 0, 5) | _all_of(step < 0, 5),  # five steps are six values
        4: _all_of(turns, 12),  # twelve turns are thirteen steps, fourteen values
        5: _some_of(z, 2, 3, 2),
        6: _some_of(z, 4, 5, 1),
        7: _all_of(np.abs(z) < 1, 15),
        8: far & (sides > 0) & (sides < 8),
    }


def false_shares() -> dict[int, float]:
    """By Western Electric rule: share of values at which it fires though nothing is wrong (normal, independent)."""

    def some_of(k: int, n: int, sigmas: float) -> float:
        p = float(ndtr(-sigmas))  # the value itself, and at least k - 1 of the n - 1 before it
        return 2 * p * sum(comb(n - 1, m) * p**m * (1 - p) ** (n - 1 - m) for m in range(k - 1, n))

    return {1: 2 * float(ndtr(-3.0)), 2: some_of(2, 3, 2), 3: some_of(4, 5, 1), 4: 2 * 0.5**8}


def _some_of(z: NDArray[np.float64], k: int, n: int, sigmas: float) -> NDArray[np.bool_]:
    high, low = z > sigmas, z < -sigmas
    return np.asarray((high & (_count(high, n) >= k)) | (low & (_count(low, n) >= k)))


def _all_of(flags: NDArray[np.bool_], n: int) -> NDArray[np.bool_]:
    return np.asarray(_count(flags, n) == n)


def _count(flags: NDArray[np.bool_], n: int) -> NDArray[np.int64]:
    """Count the flags among each value and the n - 1 before it."""
    total: NDArray[np.int64] = np.cumsum(flags, dtype=np.int64)
    before: NDArray[np.int64] = np.concatenate([np.zeros(min(n, total.size), np.int64), total[:-n]])
    return np.subtract(total, before)
