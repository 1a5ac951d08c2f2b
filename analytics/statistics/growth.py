"""Whether failures come more and more, or less and less, often: Laplace, the MIL test, Crow-AMSAA (a power law).

Times are those of the failures on one clock of exposure that runs from 0 to `end`.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import brentq
from scipy.special import chdtr, chdtrc, ndtr

from analytics.statistics.reliability import chi2_quantile

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Trend:
    """A test of "no trend". u above 0, or a small statistic of the MIL test, is worsening. Chances are two-sided."""

    u: float
    u_chance: float
    mil: float
    mil_degrees: int
    mil_improves_chance: float  # one-sided: as large or larger if nothing changed
    mil_chance: float


@dataclass(frozen=True, slots=True)
class PowerLaw:
    """A rate that follows a power of time: lam * beta * t^(beta - 1); beta above 1 is worsening."""

    beta: float
    lam: float
    end: float
    failures_n: int
    low: float  # of beta
    high: float

    @property
    def rate_end(self) -> float:
        """Failures per time at the end."""
        return self.lam * self.beta * float(self.end ** (self.beta - 1))

    @property
    def mean_time_end(self) -> float:
        """Time between failures at the end."""
        return 1 / self.rate_end


def trend(times: ArrayLike, end: float, *, ends_with_failure: bool = False) -> Trend | None:
    """Test for a trend; None when there are too few failures to tell (fewer than two that count)."""
    t = np.sort(np.asarray(times, dtype=np.float64))
    if ends_with_failure:
        t = t[:-1]
    t = t[t > 0]
    n = t.size
    if n < 2 or end <= 0:
        return None
    u = float((t.mean() - end / 2) / (end * np.sqrt(1 / (12 * n))))
    mil = float(2 * np.log(end / t).sum())
    above, below = float(chdtrc(2 * n, mil)), float(chdtr(2 * n, mil))
    return Trend(u, float(2 * ndtr(-abs(u))), mil, 2 * n, above, min(1.0, 2 * min(above, below)))


def crow_amsaa(times: ArrayLike, end: float, *, unbiased: bool = False, level: float = 0.95) -> PowerLaw | None:
    """Fit the power law to failures of a window that ends by the clock (MIL-HDBK-189, Crow 1974).

    Returns None with fewer than two failures after time 0, or when all lie at the end.
    """
    t = np.asarray(times, dtype=np.float64)
    t = t[t > 0]
    n = t.size
    total = float(np.log(end / t).sum()) if n and end > 0 else 0.0
    if n < 2 or total <= 0:
        return None
    best = n / total
    tail = (1 - level) / 2
    low, high = (best * chi2_quantile(side, 2 * n) / (2 * n) for side in (tail, 1 - tail))
    beta = best * (n - 1) / n if unbiased else best
    return PowerLaw(beta, n / end**beta, end, n, low, high)


def crow_amsaa_grouped(ends: ArrayLike, counts: ArrayLike) -> PowerLaw | None:
    """Fit the power law to counts of failures per interval (MIL-HDBK-189, grouped data): ends of intervals from 0 on.

    The shape has no interval here (nan). Returns None when all failures lie in one interval at an edge.
    """
    edge = np.concatenate([[0.0], np.asarray(ends, dtype=np.float64)])
    count = np.asarray(counts, dtype=np.float64)
    if (np.diff(edge) <= 0).any() or count.sum() < 2:
        return None
    end = float(edge[-1])
    x = edge / end
    with np.errstate(divide="ignore"):
        logs = np.where(x > 0, np.log(np.maximum(x, 1e-300)), 0.0)

    def score(beta: float) -> float:
        raised = x**beta
        return float((count * np.diff(raised * logs) / np.diff(raised)).sum())

    if score(1e-3) * score(50.0) > 0:
        return None
    beta = float(brentq(score, 1e-3, 50.0, xtol=1e-13))
    n = int(count.sum())
    return PowerLaw(beta, n / end**beta, end, n, float("nan"), float("nan"))


def cramer_von_mises(times: ArrayLike, end: float) -> float | None:
    """Return how far the failures lie from the power law (MIL-HDBK-189: 1/12n + sum of squares); None: too few."""
    t = np.sort(np.asarray(times, dtype=np.float64))
    t = t[t > 0]
    fitted = crow_amsaa(t, end, unbiased=True)
    return None if fitted is None else float(_distance(t[None, :] / end)[0])


def cramer_von_mises_chance(distance: float, failures_n: int, draws: int = 2000) -> float:
    """Return how often a true power law lies as far off. Simulated with a fixed seed: it depends on n alone."""
    return float((1 + np.count_nonzero(_drawn(failures_n, draws) >= distance)) / (1 + draws))


@cache
def _drawn(n: int, draws: int) -> Floats:
    return _distance(np.sort(np.random.default_rng(189).random((draws, n)), axis=1))


def _distance(shares: Floats) -> Floats:
    n = shares.shape[1]
    beta = (n - 1) / -np.log(shares).sum(axis=1, keepdims=True)
    spread = (shares**beta - (2 * np.arange(1, n + 1) - 1) / (2 * n)) ** 2
    distance: Floats = 1 / (12 * n) + spread.sum(axis=1)
    return distance
