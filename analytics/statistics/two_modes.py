"""Whether values gather around one place or around two: the dip test, and where the two places are.

The dip of Hartigan and Hartigan (1985) is the distance between the distribution and the nearest one with a single
mode. Its chance is that of a uniform sample, the hardest single mode to tell from two.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.ndimage import gaussian_filter1d
from scipy.optimize import isotonic_regression

Floats = NDArray[np.float64]

LEVELS = (1.0, 0.9, 0.5, 0.2, 0.1, 0.05, 0.02, 0.01, 0.005, 0.001)
ROOT_N_DIPS = (0.0, 0.2898, 0.3734, 0.4497, 0.4968, 0.5389, 0.5869, 0.6218, 0.6528, 0.7165)
"""Root n times the dip that a uniform sample exceeds with the chances LEVELS: quantiles of 50 000 samples of 2000."""
LEAST = 20
"""Fewer values tell nothing about modes."""
VALLEY = 0.75
"""Two peaks of the density are two modes when it falls below this share of the lower one between them."""
LOW_PEAK = 0.05
"""A peak that stands out by less than this share of the highest one is none."""
BINS = 200


@dataclass(frozen=True, slots=True)
class Modes:
    """The dip test of some values, and two modes where there are."""

    dip: float
    chance: float  # of so large a dip when there is one mode
    low: float | None  # places of the two modes
    high: float | None
    high_share: float | None  # share of the values beyond the valley between them

    @property
    def two(self) -> bool:
        """Two modes are taken as shown: the chance is below 1 % and the density has two peaks."""
        return self.chance < 0.01 and self.low is not None


def dip(values: ArrayLike) -> float:
    """Distance between the distribution of the values and the nearest one with one mode; at least 1 / (2 n)."""
    x, count = np.unique(np.asarray(values, dtype=np.float64), return_counts=True)
    top = np.cumsum(count).astype(np.float64)
    bottom = top - count
    low, high, most = 0, x.size - 1, 1.0
    while high > low:
        own = slice(low, high + 1)
        convex, concave = _convex(x[own], bottom[own]), -_convex(x[own], -top[own])
        scale = 1e-9 * top[-1]
        on_convex = np.flatnonzero(np.abs(convex - bottom[own]) <= scale)
        on_concave = np.flatnonzero(np.abs(concave - top[own]) <= scale)
        gap = concave - convex
        a, b = on_convex[np.argmax(gap[on_convex])], on_concave[np.argmax(gap[on_concave])]
        if max(gap[a], gap[b]) <= most:
            break
        if gap[a] > gap[b]:
            b = on_concave[np.searchsorted(on_concave, a)]
        else:
            a = on_convex[np.searchsorted(on_convex, b, side="right") - 1]
        # Equal values at an end of the modal interval may all be the mode: they are no distance.
        below = (top[own] - convex)[:a].max(initial=0.0)
        above = (concave - bottom[own])[b + 1 :].max(initial=0.0)
        most = max(most, float(below), float(above))
        if (a, b) == (0, high - low):
            break
        low, high = low + int(a), low + int(b)
    return float(most / (2 * top[-1])) if x.size else 0.0


def _convex(x: Floats, y: Floats) -> Floats:
    """The greatest convex function below the points: its slopes are the isotonic regression of theirs."""
    if x.size < 3:
        return y
    dx = np.diff(x)
    slopes = isotonic_regression(np.diff(y) / dx, weights=dx).x
    return np.concatenate([y[:1], y[0] + np.cumsum(slopes * dx)])


def chance_of_dip(dip_: float, n: int) -> float:
    """Chance of so large a dip, or a larger one, in n values from a uniform distribution; never told below 0.001."""
    return float(np.exp(np.interp(dip_ * np.sqrt(n), ROOT_N_DIPS, np.log(LEVELS))))


def modes(values: ArrayLike) -> Modes | None:
    """Test values for two modes and tell where they are; None for fewer than LEAST."""
    x = np.asarray(values, dtype=np.float64)
    if x.size < LEAST:
        return None
    found = dip(x)
    low, high, share = _peaks(x)
    return Modes(found, chance_of_dip(found, x.size), low, high, share)


def _peaks(x: Floats) -> tuple[float | None, float | None, float | None]:
    """The highest peak of the smoothed density, the one that stands out most beside it, the share beyond the valley.

    Smoothed as Silverman says for the narrower of spread and quartiles, but narrower: that width merges two modes.
    """
    first, last = np.quantile(x, [0.005, 0.995])
    q1, q3 = np.quantile(x, [0.25, 0.75])
    if last <= first:
        return None, None, None
    width = 0.6 * min(float(x.std()), (q3 - q1) / 1.349 or np.inf) * x.size**-0.2
    margin = (last - first) / 10
    counts, edges = np.histogram(x, BINS, (first - margin, last + margin))
    step = edges[1] - edges[0]
    density = gaussian_filter1d(counts.astype(np.float64), max(width / step, 1.0), mode="constant")
    inner = density[1:-1]
    tops = 1 + np.flatnonzero((inner > density[:-2]) & (inner >= density[2:]))
    if tops.size < 2:
        return None, None, None
    highest = int(tops[np.argmax(density[tops])])
    centre = (edges[:-1] + edges[1:]) / 2
    best = 0.0
    places: tuple[float | None, float | None, float | None] = (None, None, None)
    for other in tops[tops != highest]:
        a, b = sorted((highest, int(other)))
        valley = a + int(np.argmin(density[a : b + 1]))
        stands_out = float(density[other] - density[valley])
        if density[valley] < VALLEY * density[other] and stands_out > max(best, LOW_PEAK * density[highest]):
            best, places = stands_out, (float(centre[a]), float(centre[b]), float((x > centre[valley]).mean()))
    return places
