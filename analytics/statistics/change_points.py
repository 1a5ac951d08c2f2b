"""Where a series of values changes its level, found by the library ruptures (exact search with a penalty, PELT)."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtri

from analytics.statistics.robust import SIGMA

Floats = NDArray[np.float64]

LEAST = 10
"""Values between two changes, at least."""
PENALTY = 4.0
"""A change must pay for itself with this many times variance x ln(n)."""
POINTS = 4_000
"""Longer series are searched as means of blocks, then each change is placed within its blocks."""
Z95 = float(ndtri(0.975))


@dataclass(frozen=True, slots=True)
class Level:
    """Values first to last - 1 have one level: their mean and its standard error."""

    first: int
    last: int
    mean: float
    error: float

    @property
    def n(self) -> int:
        """How many values."""
        return self.last - self.first


@dataclass(frozen=True, slots=True)
class Change:
    """From value `at` on the level is another one; its size with a 95 % interval."""

    at: int
    before: float
    after: float
    size: float
    low: float
    high: float


def levels(values: ArrayLike, least: int = LEAST, penalty: float = PENALTY) -> list[Level]:
    """Cut values, in order, into stretches of one level each; a single stretch when nothing changes.

    The scatter is taken from neighbours, so a change of level does not count as scatter. Values that are far off
    should have been left out before; what scatters in trains (each value like the one before) gives too many changes.
    """
    x = np.asarray(values, dtype=np.float64)
    if x.size == 0:
        return []
    edges = [0, *_edges(x, least, penalty), x.size]
    return [_level(x, a, b) for a, b in pairwise(edges)]


def changes(found: list[Level]) -> list[Change]:
    """The steps between neighbouring levels."""
    steps = []
    for before, after in pairwise(found):
        size = after.mean - before.mean
        width = Z95 * float(np.hypot(before.error, after.error))
        steps.append(Change(after.first, before.mean, after.mean, size, size - width, size + width))
    return steps


def scatter(values: ArrayLike) -> float:
    """Standard deviation within levels: the median distance of neighbours, scaled."""
    x = np.asarray(values, dtype=np.float64)
    if x.size < 2:
        return 0.0
    return float(SIGMA * np.median(np.abs(np.diff(x))) / np.sqrt(2))


def _edges(x: Floats, least: int, penalty: float) -> list[int]:
    sigma = scatter(x) or float(x.std())
    if x.size < 2 * least or sigma == 0:
        return []
    block = -(-x.size // POINTS)
    whole = x[: x.size // block * block].reshape(-1, block).mean(axis=1)
    cost = penalty * sigma**2 / block * np.log(x.size)
    rough = [block * int(e) for e in _search(whole, max(2, -(-least // block)), cost)[:-1]]
    if block == 1:
        return rough
    # A change within a block shows as two, around a level between; so near ones are one.
    apart = [e for n, e in enumerate(rough) if n == 0 or e - rough[n - 1] > max(3 * block, least + block)]
    return _placed(x, apart, block, least)


def _search(x: Floats, least: int, cost: float) -> list[int]:
    import ruptures  # takes a while, and few commands need it

    found: list[int] = ruptures.KernelCPD(kernel="linear", min_size=least).fit(x.reshape(-1, 1)).predict(pen=cost)
    return found


def _placed(x: Floats, rough: list[int], block: int, least: int) -> list[int]:
    """Move each edge, within some blocks, to where the two sides scatter least; an edge without room stays."""
    placed: list[int] = []
    for n, edge in enumerate(rough):
        first = placed[-1] if placed else 0
        last = rough[n + 1] if n + 1 < len(rough) else x.size
        low, high = max(first + least, edge - 2 * block), min(last - least, edge + 5 * block + least)
        if low > high:
            placed.append(edge)
            continue
        sums = np.cumsum(x[first:last])
        k = np.arange(low, high + 1) - first
        left, total = sums[k - 1], sums[-1]
        gain = left**2 / k + (total - left) ** 2 / (last - first - k)
        placed.append(int(low + np.argmax(gain)))
    return placed


def _level(x: Floats, first: int, last: int) -> Level:
    own = x[first:last]
    error = float(own.std(ddof=1) / np.sqrt(own.size)) if own.size > 1 else float("inf")
    return Level(first, last, float(own.mean()), error)
