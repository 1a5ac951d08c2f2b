"""The Weibull distribution of times, some of them censored: maximum likelihood, with an interval of the shape."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import brentq
from scipy.special import chdtrc

from analytics.statistics.reliability import chi2_quantile

Floats = NDArray[np.float64]

LEAST = 6
"""Finished times below which no shape is told: the interval would not hold 95 % (it holds 91 % with three)."""

_FURTHEST = 1e3  # a shape beyond it is no distribution any more but one value


@dataclass(frozen=True, slots=True)
class Weibull:
    """A fitted distribution: F(t) = 1 - exp(-(t / scale) ^ shape).

    Shape and scale are those of the greatest likelihood; the interval is that of the ratio of corrected likelihoods.
    """

    shape: float
    scale: float
    low: float  # of the shape
    high: float
    chance: float  # of a shape that lies as far from 1 if failures come by chance
    finished_n: int
    censored_n: int

    @property
    def says(self) -> str:
        """What the shape says: "wear-out", "early" or "open" (the interval holds 1: chance alone is not excluded)."""
        return "wear-out" if self.low > 1 else "early" if self.high < 1 else "open"


def fit(finished: ArrayLike, censored: ArrayLike = (), level: float = 0.95) -> Weibull | str:
    """Fit times that came to their end and times that had not (censored).

    Returns the fit, or the reason why there is none. Times of zero or less cannot be fitted and are a reason.
    """
    x, c = np.asarray(finished, dtype=np.float64), np.asarray(censored, dtype=np.float64)
    if x.size < LEAST:
        return f"only {x.size} finished times, a shape needs {LEAST}"
    if (x <= 0).any() or (c < 0).any():
        return "a time of zero: a Weibull distribution has none"
    if np.ptp(x) == 0:
        return "all finished times are equal"
    unit = float(np.exp(np.log(x).mean()))  # so that no power overflows
    every, logs = np.concatenate([x, c[c > 0]]) / unit, np.log(x / unit)

    def score(shape: float, weight: float = 1.0) -> float:
        raised, at = _powers(every, shape)
        return float((raised * at).sum() / raised.sum() - weight / shape - logs.mean())

    best = _root(score)
    corrected = _root(lambda shape: score(shape, 1 - 2 / x.size))
    if best is None or corrected is None:
        return "the times are too much alike for a shape"
    top = _profile(corrected, every, logs)
    drop = chi2_quantile(level, 1) / 2

    def beyond(shape: float) -> float:
        return top - _profile(shape, every, logs) - drop

    low, high = _edge(beyond, corrected, 0.5), _edge(beyond, corrected, 2.0)
    scale = float(np.exp(np.log(_mean_power(every, best, x.size)) / best)) * unit
    chance = float(chdtrc(1, max(0.0, 2 * (top - _profile(1.0, every, logs)))))
    return Weibull(best, scale, low, high, chance, x.size, c.size)


def _powers(values: Floats, shape: float) -> tuple[Floats, Floats]:
    at = np.log(values)
    return np.exp(shape * (at - at.max())), at


def _mean_power(values: Floats, shape: float, n: int) -> float:
    return float((values**shape).sum() / n)


def _profile(shape: float, every: Floats, logs: Floats) -> float:
    """Log likelihood of a shape with the best scale for it, corrected for the scale having been fitted, too.

    n - 2 in the place of n before log(shape) (Yang and Xie 2003): the plain one takes chance for wear-out in one case
    of ten when only a few times are known.
    """
    at = shape * np.log(every)
    most = at.max()
    total = most + np.log(np.exp(at - most).sum())  # log of the sum of powers
    n = logs.size
    return float((n - 2) * np.log(shape) + (shape - 1) * logs.sum() - n * (total - np.log(n)) - n)


def _root(score: Callable[[float], float]) -> float | None:
    low = high = 1.0
    while score(low) > 0:
        low /= 2
        if low < 1 / _FURTHEST:
            return None
    while score(high) < 0:
        high *= 2
        if high > _FURTHEST:
            return None
    return float(brentq(score, low, high, xtol=1e-13, rtol=1e-13)) if low < high else low


def _edge(beyond: Callable[[float], float], best: float, factor: float) -> float:
    far = best * factor
    while beyond(far) < 0 and 1e-6 < far < 1e6:
        far *= factor
    return float(brentq(beyond, min(best, far), max(best, far)))
