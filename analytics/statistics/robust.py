"""Robust figures of lengths of time: a few stops or mistakes of the log do not move them.

Quantiles are of Hyndman and Fan's type 7 (linear between order statistics), as numpy's.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]

SIGMA = 1.482602218505602
"""Standard deviation of a normal distribution per median absolute deviation."""
MOST = 400
"""Values that the medcouple looks at: of more, so many evenly spaced order statistics stand for all."""


def half_sample_mode(values: ArrayLike) -> float | None:
    """The mode by the half-sample method (Robertson and Cryer 1974; Bickel 2002); None without values.

    Again and again the half of the values that lies closest together is kept, until at most three are left: of two
    the middle, of three the middle of the two closer ones. Of equally close halves the first one counts.
    """
    x = np.sort(np.asarray(values, dtype=np.float64))
    if x.size == 0:
        return None
    while x.size > 3:
        half = (x.size + 1) // 2
        widths = x[half - 1 :] - x[: x.size - half + 1]
        first = int(np.argmin(widths))
        x = x[first : first + half]
    if x.size == 3:
        left, right = x[1] - x[0], x[2] - x[1]
        return float(x[1] if left == right else (x[:2] if left < right else x[1:]).mean())
    return float(x.mean())


def mad_sigma(values: ArrayLike) -> float:
    """The median distance from the median, scaled to the standard deviation of a normal distribution."""
    x = np.asarray(values, dtype=np.float64)
    return float(SIGMA * np.median(np.abs(x - np.median(x))))


def medcouple(values: ArrayLike) -> float:
    """Skewness that outliers do not move, from -1 to 1 (Brys, Hubert and Struyf 2004); 0 for fewer than three values.

    The median of ((b - m) - (m - a)) / (b - a) over all a <= m <= b, m the median.
    """
    x = np.sort(np.asarray(values, dtype=np.float64))
    if x.size < 3:
        return 0.0
    if x.size > MOST:
        x = np.quantile(x, (np.arange(MOST) + 0.5) / MOST)
    x = x - np.median(x)
    upper, lower = x[x >= 0], x[x <= 0]
    width = upper[:, None] - lower[None, :]
    # Values that equal the median have no such ratio among themselves: they count by their rank, as the authors say.
    ties = int((x == 0).sum())
    kernel = np.divide(upper[:, None] + lower[None, :], width, out=np.zeros_like(width), where=width != 0)
    if ties:
        rank = np.arange(ties)
        kernel[:ties, lower.size - ties :] = np.sign(rank[:, None] + rank[None, :] - (ties - 1))
    return float(np.median(kernel))


def tukey_fences(values: ArrayLike) -> tuple[float, float]:
    """Quartiles less and plus 1.5 times the distance between them: what lies beyond is far out."""
    first, third = np.quantile(np.asarray(values, dtype=np.float64), [0.25, 0.75])
    return float(first - 1.5 * (third - first)), float(third + 1.5 * (third - first))


def adjusted_fences(values: ArrayLike) -> tuple[float, float]:
    """Tukey's fences, stretched on the side to which the values are skewed (Hubert and Vandervieren 2008)."""
    first, third = np.quantile(np.asarray(values, dtype=np.float64), [0.25, 0.75])
    skew, width = medcouple(values), third - first
    low, high = (-4.0, 3.0) if skew >= 0 else (-3.0, 4.0)
    return float(first - 1.5 * np.exp(low * skew) * width), float(third + 1.5 * np.exp(high * skew) * width)
