"""Rates of things that happen now and then: intervals, and how two rates compare. Exact for Poisson counts."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import betaincinv, gammaincinv

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Ratio:
    """A rate over another one, each element one comparison; high is inf where nothing happened in the other."""

    ratio: Floats
    low: Floats
    high: Floats
    chance: Floats  # of so unequal counts, two-sided, when the rates are the same


def poisson_interval(counts: ArrayLike, level: float = 0.95) -> tuple[Floats, Floats]:
    """Interval of the expected number behind each count (Garwood 1936, by chi-square quantiles)."""
    n = np.asarray(counts, dtype=np.float64)
    tail = (1 - level) / 2
    low = np.where(n > 0, gammaincinv(np.maximum(n, 1), tail), 0.0)
    return low, gammaincinv(n + 1, 1 - tail)


def rate_ratio(
    counts: ArrayLike, exposure: ArrayLike, other: ArrayLike, other_exposure: ArrayLike, level: float = 0.95
) -> Ratio:
    """Compare two rates: given both counts together, the first is binomial (Przyborowski and Wilenski 1940).

    The interval is that of Clopper and Pearson for the binomial share, turned into a ratio. Without exposure on either
    side, or nothing counted at all, ratio and chance are nan.
    """
    from scipy.stats import binom  # takes a while, and few commands need it

    a, ta, b, tb = (np.asarray(v, dtype=np.float64) for v in (counts, exposure, other, other_exposure))
    a, ta, b, tb = np.broadcast_arrays(a, ta, b, tb)
    n, tail = a + b, (1 - level) / 2
    known = (ta > 0) & (tb > 0) & (n > 0)
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = np.where(known, (a / ta) / (b / tb), np.nan)
        share_low = np.where(a > 0, betaincinv(np.maximum(a, 1), b + 1, tail), 0.0)
        share_high = np.where(b > 0, betaincinv(a + 1, np.maximum(b, 1), 1 - tail), 1.0)
        low = np.where(known, share_low / (1 - share_low) * tb / ta, np.nan)
        high = np.where(known, share_high / (1 - share_high) * tb / ta, np.nan)
        share = np.where(known, ta / (ta + tb), 0.5)
    both = 2 * np.minimum(binom.cdf(a, n, share), binom.sf(a - 1, n, share))
    return Ratio(ratio, low, high, np.where(known, np.minimum(both, 1.0), np.nan))
