"""Quantiles with intervals that need no assumption about the distribution: two order statistics enclose them.

The number of n values below a quantile q is binomial (n, q), whatever the values are (David and Nagaraja, Order
Statistics, 3rd ed. 2003, section 7.1). So the values of ranks r and s enclose it with at least the wanted confidence.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
import numpy.typing as npt

LEVEL = 0.95


@dataclass(frozen=True, slots=True)
class Quantile:
    """A quantile (type 7) of a sample; low and high are None where the sample is too small for the confidence."""

    n: int
    value: float
    low: float | None
    high: float | None


@cache
def ranks(n: int, q: float = 0.5, level: float = LEVEL) -> tuple[int, int] | None:
    """Return the ranks (from 1) of the two values that enclose the quantile, at most (1 - level) / 2 beyond each."""
    from scipy.stats import binom

    tail = (1 - level) / 2
    low = int(binom.ppf(tail, n, q))  # the least k with P(B <= k) >= tail: one rank more would leave too much below
    high = int(binom.isf(tail, n, q)) + 1  # the value of this rank lies above with at most `tail` beyond
    return (low, high) if low >= 1 and high <= n else None


def quantile(values: npt.ArrayLike, q: float = 0.5, level: float = LEVEL) -> Quantile | None:
    """Return a quantile with its distribution-free interval. None: no value. NaN is left out."""
    own = np.asarray(values, dtype=np.float64)
    own = np.sort(own[~np.isnan(own)])
    if not len(own):
        return None
    found = ranks(len(own), q, level)
    low, high = (float(own[found[0] - 1]), float(own[found[1] - 1])) if found else (None, None)
    return Quantile(len(own), float(np.quantile(own, q)), low, high)
