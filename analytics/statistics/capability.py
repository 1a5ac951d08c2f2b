"""Capability: how the spread of a characteristic compares with its limits.

Cp, Cpk (spread of the moment) are worth something only while the process is steady; Pp, Ppk (spread of the whole
period) describe what was delivered. Intervals: Cp by chi-square; Cpk by Bissell (Applied Statistics 39, 1990, 331-340);
both for normal values. `by_percentiles` makes no such assumption (ISO 22514-2): (U - L) / (X99.865 - X0.135).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import chdtri, ndtr, ndtri

MOVING_RANGE_DOF = 0.605
"""Degrees of freedom per value of a sigma from moving ranges of two: 1 / (2 x 0.8264), as neighbours share a value."""
FOR_PERCENTILES = 1500
"""With fewer values X0.135 and X99.865 are not within what was seen: two values lie beyond each of them here."""


@dataclass(frozen=True)
class Capability:
    """Indices against two limits, or one: then those that need the other are None."""

    cp: float | None
    cpl: float | None
    cpu: float | None
    cpk: float

    def interval_cp(self, dof: float, level: float = 0.95) -> tuple[float, float] | None:
        """Return the interval of Cp for a sigma with these degrees of freedom."""
        if self.cp is None or dof <= 0:
            return None
        tail = (1 - level) / 2
        return tuple(float(self.cp * np.sqrt(chdtri(dof, p) / dof)) for p in (1 - tail, tail))  # type: ignore[return-value]

    def interval_cpk(self, n: int, dof: float, level: float = 0.95) -> tuple[float, float] | None:
        """Return Bissell's interval of Cpk for n values and a sigma with these degrees of freedom."""
        if n < 2 or dof <= 0:
            return None
        reach = float(ndtri((1 + level) / 2) * np.sqrt(1 / (9 * n) + self.cpk**2 / (2 * dof)))
        return self.cpk - reach, self.cpk + reach


def capability(mean: float, sigma: float, low: float | None, high: float | None) -> Capability | None:
    """Compare mean and sigma with the limits. None: no limit, or values that do not spread at all."""
    return by_percentiles(mean - 3 * sigma, mean, mean + 3 * sigma, low, high)


def by_percentiles(
    x_low: float, x_mid: float, x_high: float, low: float | None, high: float | None
) -> Capability | None:
    """Compare X0.135, the median and X99.865 with the limits. None: no limit, or values that do not spread."""
    down, up = x_mid - x_low, x_high - x_mid
    if (low is None and high is None) or not (down > 0 and up > 0):
        return None
    cpl = None if low is None else (x_mid - low) / down
    cpu = None if high is None else (high - x_mid) / up
    both = None if low is None or high is None else (high - low) / (x_high - x_low)
    return Capability(both, cpl, cpu, min(c for c in (cpl, cpu) if c is not None))


def percentiles(values: ArrayLike) -> tuple[float, float, float] | None:
    """Return X0.135, median and X99.865 as seen. None: too few values (FOR_PERCENTILES)."""
    v = np.asarray(values, dtype=np.float64)
    if v.size < FOR_PERCENTILES:
        return None
    low, mid, high = np.quantile(v, [0.00135, 0.5, 0.99865])
    return float(low), float(mid), float(high)


def off_center(mean: float, low: float, high: float) -> float:
    """Return k: how far the mean is from the middle, in half widths."""
    return abs((low + high) / 2 - mean) / ((high - low) / 2)


def cpm(mean: float, sigma: float, low: float, high: float, target: float) -> float:
    """Return Cpm, in which a distance to the target counts like spread (Taguchi)."""
    return (high - low) / (6 * float(np.hypot(sigma, mean - target)))


def share_out(mean: float, sigma: float, low: float | None, high: float | None) -> float:
    """Return the share of normal values outside the limits."""
    below = 0.0 if low is None else float(ndtr((low - mean) / sigma))
    above = 0.0 if high is None else float(ndtr((mean - high) / sigma))
    return below + above
