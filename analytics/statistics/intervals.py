"""Intervals of a share: hits among items, with what chance leaves open."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import betaincinv, ndtri

Floats = NDArray[np.float64]


def wilson(hits: ArrayLike, items: ArrayLike, level: float = 0.95) -> tuple[Floats, Floats]:
    """Return low and high of Wilson's score interval (1927), one each per pair; nan where there are no items."""
    k, n = np.broadcast_arrays(np.asarray(hits, dtype=np.float64), np.asarray(items, dtype=np.float64))
    z = float(ndtri((1 + level) / 2))
    with np.errstate(divide="ignore", invalid="ignore"):
        p, wide = k / n, z**2 / n
        center = (p + wide / 2) / (1 + wide)
        reach = z / (1 + wide) * np.sqrt(p * (1 - p) / n + wide / (4 * n))
        low, high = np.where(k > 0, center - reach, 0.0), np.where(k < n, center + reach, 1.0)
    return np.where(n > 0, np.clip(low, 0, 1), np.nan), np.where(n > 0, np.clip(high, 0, 1), np.nan)


def clopper_pearson(hits: ArrayLike, items: ArrayLike, level: float = 0.95) -> tuple[Floats, Floats]:
    """Return low and high of the exact interval (Clopper and Pearson 1934): it covers at least what it says."""
    k, n = np.broadcast_arrays(np.asarray(hits, dtype=np.float64), np.asarray(items, dtype=np.float64))
    tail = (1 - level) / 2
    with np.errstate(invalid="ignore"):
        low = np.where(k > 0, betaincinv(np.maximum(k, 1e-9), n - k + 1, tail), 0.0)
        high = np.where(k < n, betaincinv(k + 1, np.maximum(n - k, 1e-9), 1 - tail), 1.0)
    return np.where(n > 0, low, np.nan), np.where(n > 0, high, np.nan)
