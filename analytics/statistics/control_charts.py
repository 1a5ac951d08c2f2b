"""Control charts: limits within which a steady process stays, and what is beyond them.

Formulas and constants as in ASTM E2587 and the NIST/SEMATECH e-Handbook, 6.3. Values are in order of time, without gaps
(the caller drops what is missing). Constants of groups are computed and rounded to three decimals, as every printed
table has them.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import polars as pl
from numpy.typing import ArrayLike, NDArray
from scipy.special import gammaln, ndtr

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Limits:
    """A chart: the centre and the limits, one value or one for each point."""

    center: float
    low: float | Floats
    high: float | Floats

    def beyond(self, points: ArrayLike) -> NDArray[np.bool_]:
        """Tell which points lie outside."""
        p = np.asarray(points, dtype=np.float64)
        return np.asarray((p > self.high) | (p < self.low))


@dataclass(frozen=True)
class Constants:
    """What the range and the standard deviation of n normal values are to their sigma, and the factors of limits."""

    d2: float
    d3: float
    c4: float
    A2: float
    A3: float
    D3: float
    D4: float
    B3: float
    B4: float
    E2: float


@lru_cache(maxsize=64)
def constants(n: int) -> Constants:
    """Compute the constants of groups of n values (n >= 2)."""
    if n < 2:
        raise ValueError("a group needs two values")
    x = np.linspace(-8.5, 8.5, 1701)
    step = x[1] - x[0]
    below = ndtr(x)
    d2 = float(np.sum(1 - below**n - (1 - below) ** n) * step)
    # E[R^2] = 2 x the integral over low < high of P(smallest <= low and largest >= high)
    low, high = below[:, None], below[None, :]
    both = 1 - high**n - (1 - low) ** n + np.clip(high - low, 0, None) ** n
    d3 = float(np.sqrt(2 * np.sum(np.triu(both, 1) + np.diag(np.diag(both)) / 2) * step**2 - d2**2))
    c4 = float(np.sqrt(2 / (n - 1)) * np.exp(gammaln(n / 2) - gammaln((n - 1) / 2)))
    spread, wide = 3 * d3 / d2, 3 * np.sqrt(1 - c4**2) / c4
    return Constants(
        d2, d3, c4, A2=3 / (d2 * np.sqrt(n)), A3=3 / (c4 * np.sqrt(n)), D3=max(0.0, 1 - spread), D4=1 + spread,
        B3=max(0.0, 1 - wide), B4=float(1 + wide), E2=3 / d2,
    )  # fmt: skip


@dataclass(frozen=True)
class Individuals:
    """The chart of single values and the chart of their moving ranges."""

    x: Limits
    mr: Limits
    sigma: float  # from the moving range, so a slow drift does not widen it


def individuals(values: ArrayLike, baseline: int | None = None) -> Individuals:
    """Chart single values: mean +- 3 x mean moving range / 1.128, from the first `baseline` values (default: all)."""
    v = np.asarray(values, dtype=np.float64)[:baseline]
    if v.size < 2:
        raise ValueError("a chart of single values needs two values")
    mean, mr = float(v.mean()), float(moving_ranges(v).mean())
    pair = constants(2)
    sigma = mr / round(pair.d2, 3)
    return Individuals(Limits(mean, mean - 3 * sigma, mean + 3 * sigma), Limits(mr, 0.0, round(pair.D4, 3) * mr), sigma)


def moving_ranges(values: ArrayLike) -> Floats:
    """Return how far each value is from the one before: one fewer than values."""
    return np.abs(np.diff(np.asarray(values, dtype=np.float64)))


def ewma(values: ArrayLike, target: float, sigma: float, weight: float, width: float) -> tuple[Floats, Limits]:
    """Chart the exponentially weighted mean, which starts at the target; its limits widen with the first values."""
    v = np.asarray(values, dtype=np.float64)
    z = pl.Series(np.concatenate([[target], v])).ewm_mean(alpha=weight, adjust=False).to_numpy()[1:]
    i = np.arange(1, v.size + 1)
    reach = width * sigma * np.sqrt(weight / (2 - weight) * (1 - (1 - weight) ** (2 * i)))
    return z, Limits(target, target - reach, target + reach)


@dataclass(frozen=True)
class Cusum:
    """A sum of deviations in one direction, and for how many values it has been above zero."""

    sums: Floats
    above_n: NDArray[np.int64]

    def signals(self, limit: float) -> NDArray[np.int64]:
        """Positions (from 0) at which the sum is beyond its limit."""
        return np.flatnonzero(self.sums > limit)

    def began(self, at: int) -> int:
        """Position of the first value of the run that is above zero at `at`: the shift is not older, as a rule."""
        return int(at - self.above_n[at] + 1)


def cusum(values: ArrayLike, target: float, allowance: float) -> tuple[Cusum, Cusum]:
    """Sum up deviations beyond the allowance, upward and downward; a sum never falls below zero.

    C[i] = max(0, C[i-1] + excess) is the running sum of the excesses less the least that it has been, 0 included.
    """
    v = np.asarray(values, dtype=np.float64)
    return _one_side(v - target - allowance), _one_side(target - allowance - v)


def _one_side(excess: Floats) -> Cusum:
    total = np.cumsum(excess)
    lowest = np.minimum(np.minimum.accumulate(total), 0.0) if total.size else total
    sums = total - lowest
    i = np.arange(sums.size)
    return Cusum(sums, i - np.maximum.accumulate(np.where(sums > 0, -1, i)) if sums.size else i)


def shares(counts: ArrayLike, sizes: ArrayLike, baseline: ArrayLike | None = None) -> tuple[Floats, Limits]:
    """Chart shares (p): sum of counts / sum of sizes +- 3 sigma, limits for each size; none below 0 or above 1.

    The centre comes from the groups marked in `baseline` (default: all). A group without items has share nan.
    """
    k, n = np.asarray(counts, dtype=np.float64), np.asarray(sizes, dtype=np.float64)
    use = np.ones(n.shape, bool) if baseline is None else np.asarray(baseline, bool)
    if n[use].sum() <= 0:
        raise ValueError("a chart of shares needs items")
    center = float(k[use].sum() / n[use].sum())
    with np.errstate(divide="ignore", invalid="ignore"):
        reach = 3 * np.sqrt(center * (1 - center) / n)
        return k / n, Limits(center, np.clip(center - reach, 0, None), np.clip(center + reach, None, 1))


def counts(values: ArrayLike) -> Limits:
    """Chart counts per equal unit (c): mean +- 3 x its root, not below 0."""
    center = float(np.mean(np.asarray(values, dtype=np.float64)))
    reach = 3 * np.sqrt(center)
    return Limits(center, max(0.0, center - reach), center + reach)


def means_by_range(groups: ArrayLike, a2: float | None = None, d4: float | None = None) -> tuple[Limits, Limits]:
    """Chart groups of equal size by mean and range (Xbar-R). Takes one row per group.

    a2, d4: the factors of a printed table, whose last digits are not all the same.
    """
    x = np.asarray(groups, dtype=np.float64)
    c, mean, spread = constants(x.shape[1]), float(x.mean()), float(np.ptp(x, axis=1).mean())
    a2, d4 = a2 or round(c.A2, 3), d4 or round(c.D4, 3)
    reach = a2 * spread
    return Limits(mean, mean - reach, mean + reach), Limits(spread, round(c.D3, 3) * spread, d4 * spread)


def means_by_deviation(groups: ArrayLike) -> tuple[Limits, Limits]:
    """Chart groups of equal size by mean and standard deviation (Xbar-S). Takes one row per group."""
    x = np.asarray(groups, dtype=np.float64)
    c, mean, spread = constants(x.shape[1]), float(x.mean()), float(x.std(axis=1, ddof=1).mean())
    reach = round(c.A3, 3) * spread
    return Limits(mean, mean - reach, mean + reach), Limits(spread, round(c.B3, 3) * spread, round(c.B4, 3) * spread)
