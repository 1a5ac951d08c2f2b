"""The Weibull distribution of times, some of them censored: maximum likelihood, with an interval of the shape."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import brentq

from analytics.statistics.reliability import chi2_quantile

Floats = NDArray[np.float64]

LEAST = 3
"""Finished times below which no shape is told: with two the interval spans almost everything."""

_FURTHEST = 1e3  # a shape beyond it is no distribution any more but one value


@dataclass(frozen=True, slots=True)
class Weibull:
    """A fitted distribution: F(t) = 1 - exp(-(t / scale) ^ shape). The interval is that of the likelihood ratio."""

    shape: float
    scale: float
    low: float  # of the shape
    high: float
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

    def score(shape: float) -> float:
        raised, at = _powers(every, shape)
        return float((raised * at).sum() / raised.sum() - 1 / shape - logs.mean())

    best = _root(score, 1.0)
    if best is None:
        return "the times are too much alike for a shape"
    top = _profile(best, every, logs)
    drop = chi2_quantile(level, 1) / 2

    def beyond(shape: float) -> float:
        return top - _profile(shape, every, logs) - drop

    low, high = _edge(beyond, best, 0.5), _edge(beyond, best, 2.0)
    scale = float(np.exp(np.log(_mean_power(every, best, x.size)) / best)) * unit
    return Weibull(best, scale, low, high, x.size, c.size)


def _powers(values: Floats, shape: float) -> tuple[Floats, Floats]:
    at = np.log(values)
    return np.exp(shape * (at - at.max())), at


def _mean_power(values: Floats, shape: float, n: int) -> float:
    return float((values**shape).sum() / n)


def _profile(shape: float, every: Floats, logs: Floats) -> float:
    """Log likelihood of a shape with the best scale for it."""
    at = shape * np.log(every)
    most = at.max()
    total = most + np.log(np.exp(at - most).sum())  # log of the sum of powers
    n = logs.size
    return float(n * np.log(shape) + (shape - 1) * logs.sum() - n * (total - np.log(n)) - n)


def _root(score: Callable[[float], float], start: float) -> float | None:
    low = high = start
    while score(low) > 0:
        low /= 2
        if low < 1 / _FURTHEST:
            return None
    while score(high) < 0:
        high *= 2
        if high > _FURTHEST:
            return None
    return float(brentq(score, low, high, xtol=1e-13, rtol=1e-13)) if low < high else start


def _edge(beyond: Callable[[float], float], best: float, factor: float) -> float:
    far = best * factor
    while beyond(far) < 0 and 1e-6 < far < 1e6:
        far *= factor
    return float(brentq(beyond, min(best, far), max(best, far)))
