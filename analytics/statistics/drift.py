"""Levels and drifts: a series cut into stretches that stand or move evenly, with steps between them.

Values are summed up in bins (medians, so single values far off do not count). The cut is the one of least cost among
all cuts: squared deviations over the bins' variance, plus a price for each stretch and a further one for each that
moves (optimal partitioning: Jackson et al., IEEE Signal Processing Letters 12, 2005, 105-108). The prices are such that
about 1 of 100 steady series is cut.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import stdtrit

Floats = NDArray[np.float64]

BINS = 300
LEAST_BIN = 5
LEAST_VALUES = 100
SHORTEST = 3
"""Bins of a stretch, at least."""
PRICE, PRICE_PER_LOG = 9.0, 2.5
"""Of a further stretch: PRICE + PRICE_PER_LOG x ln(bins)."""
A_STEP, A_BEND = 3.0, 6.0
"""What a step, or a drift that begins or ends, costs more than a straight line where something moves."""
MEDIAN_STEP = 0.9539
"""Median distance of two normal values, in sigmas."""
UNSURE = 6.0
WIDER = 1.4
"""Intervals of a drift are wider by this: its begin was searched for. 85 to 99 of 100 then cover the truth."""
MOVING = 9.0
"""On top of it for a stretch that moves."""


@dataclass(frozen=True, slots=True)
class Stretch:
    """Values first to last - 1: their level at both ends, and how it moves per value (0: it stands)."""

    first: int
    last: int
    begin: float
    end: float
    slope: float
    slope_low: float
    slope_high: float
    variances: tuple[float, float, float]  # of the end, of the slope, and between the two
    dof: int

    @property
    def moves(self) -> bool:
        """Tell a drift from a level."""
        return self.slope != 0

    def values_until(self, limit: float) -> tuple[float, float, float | None] | None:
        """Return after how many further values the level is at a limit, with a 95 % interval (Fieller 1954).

        None: it stands or moves away. High None: it cannot be told that it will be reached at all.
        """
        gap = limit - self.end
        if not self.moves or gap * self.slope <= 0:
            return None
        var_end, var_slope, both = self.variances
        reach = (WIDER * float(stdtrit(max(self.dof, 1), 0.975))) ** 2
        # all ratios r for which (gap - r x slope)^2 <= reach x its variance
        a = self.slope**2 - reach * var_slope
        b = gap * self.slope + reach * both
        c = gap**2 - reach * var_end
        root = b * b - a * c
        ratio = float(gap / self.slope)
        if a <= 0 or root < 0:
            return ratio, 0.0, None
        low, high = sorted(((b - np.sqrt(root)) / a, (b + np.sqrt(root)) / a))
        return ratio, max(0.0, float(low)), float(high)


def stretches(values: ArrayLike) -> list[Stretch] | None:
    """Cut values, in order of time, into stretches. None: fewer than LEAST_VALUES."""
    v = np.asarray(values, dtype=np.float64)
    if v.size < LEAST_VALUES:
        return None
    size = max(LEAST_BIN, -(-v.size // BINS))
    edges = np.linspace(0, v.size, v.size // size + 1).round().astype(np.int64)
    y = np.array([np.median(part) for part in np.split(v, edges[1:-1])])
    x = (edges[:-1] + edges[1:] - 1) / 2
    sigma = _scatter(y)
    if sigma == 0:
        return [_fitted(x, y, 0, y.size, 0, v.size, moves=False)]
    cuts = [cut for rough in _cheapest(x, y / sigma) for cut in _looked_into(x, y / sigma, *rough)]
    found = [_fitted(x, y, a, b, int(edges[a]), int(edges[b]), moves=moves) for a, b, moves in cuts]
    reach = int(np.diff(edges).max())
    placed = _placed(found, v, reach)
    while (shortest := min(placed, key=lambda s: s.last - s.first)) and len(placed) > 1:
        if shortest.last - shortest.first >= SHORTEST * reach / 2:
            break
        # what is left of a stretch around a bin that a step cut in two: its neighbours share its values
        n = placed.index(shortest)
        rest = [*placed[:n], *placed[n + 1 :]]
        rest[max(n - 1, 0)] = _reaching(rest[max(n - 1, 0)], *((0, rest[0].last) if n == 0 else (None, shortest.last)))
        placed = _placed(rest, v, reach)
    return placed


def levels(cut: list[Stretch]) -> Floats:
    """Return the level at each value of the series that was cut."""
    return np.concatenate([s.begin + s.slope * np.arange(s.last - s.first) for s in cut])


def _reaching(s: Stretch, first: int | None, last: int) -> Stretch:
    """The same line over another span."""
    first = s.first if first is None else first
    begin, end = (s.begin + s.slope * (i - s.first) for i in (first, last - 1))
    return Stretch(first, last, begin, end, s.slope, s.slope_low, s.slope_high, s.variances, s.dof)


def _scatter(y: Floats) -> float:
    """Standard deviation of the bins, from neighbours, so that a drift counts for nothing; higher for few bins."""
    steps = np.abs(np.diff(y))
    usual = float(np.median(steps)) / MEDIAN_STEP or float(y.std())
    return usual * (1 + UNSURE / y.size)


def _cheapest(x: Floats, y: Floats) -> list[tuple[int, int, bool]]:
    """Return the cut of least cost: first bin, last bin + 1, and whether it moves, for each stretch."""
    n = y.size
    price = PRICE + PRICE_PER_LOG * np.log(n)
    x = (x - x.mean()) / max(float(x.std()), 1e-12)
    sums = [np.concatenate([[0.0], np.cumsum(s)]) for s in (x, y, x * x, x * y, y * y)]
    best = np.full(n + 1, np.inf)
    best[0] = 0.0
    came, moving = np.zeros(n + 1, np.int64), np.zeros(n + 1, bool)
    for end in range(SHORTEST, n + 1):
        starts = np.arange(0, end - SHORTEST + 1)
        k = end - starts
        sx, sy, sxx, sxy, syy = (s[end] - s[starts] for s in sums)
        level = np.maximum(syy - sy * sy / k, 0)
        spread, cross = sxx - sx * sx / k, sxy - sx * sy / k
        line = np.maximum(level - cross**2 / np.maximum(spread, 1e-12), 0) + MOVING
        cost = best[starts] + np.minimum(level, line) + price
        pick = int(np.argmin(cost))
        best[end], came[end], moving[end] = cost[pick], starts[pick], line[pick] < level[pick]
    cuts: list[tuple[int, int, bool]] = []
    end = n
    while end > 0:
        cuts.append((int(came[end]), end, bool(moving[end])))
        end = int(came[end])
    return cuts[::-1]


def _looked_into(x: Floats, y: Floats, a: int, b: int, moves: bool) -> list[tuple[int, int, bool]]:
    """Tell whether a stretch that moves is one line, or a step, or a drift that begins or ends within it.

    That something moves is settled before; what it is may then be told by less than what settles that.
    """
    knots = np.arange(a + SHORTEST, b - SHORTEST + 1)
    if not moves or knots.size == 0:
        return [(a, b, moves)]
    own, centred = x[a:b], y[a:b] - y[a:b].mean()
    shapes = {  # price, and what the values are regressed on, one row per knot
        "line": (0.0, own[None, :]),
        "step": (A_STEP, (np.arange(a, b)[None, :] >= knots[:, None]).astype(np.float64)),
        "begins": (A_BEND, np.maximum(own[None, :] - x[knots - 1][:, None], 0.0)),
        "ends": (A_BEND, np.minimum(own[None, :] - x[knots][:, None], 0.0)),
    }
    cost, shape, knot = np.inf, "line", a
    for name, (price, on) in shapes.items():
        part = on - on.mean(axis=1, keepdims=True)
        gain = (part @ centred) ** 2 / np.maximum((part**2).sum(axis=1), 1e-12)
        pick = int(np.argmax(gain))
        if price - gain[pick] < cost:
            cost, shape, knot = price - gain[pick], name, int(knots[pick])
    if shape == "line":
        return [(a, b, True)]
    return [(a, knot, shape == "ends"), (knot, b, shape == "begins")]


def _fitted(x: Floats, y: Floats, a: int, b: int, first: int, last: int, *, moves: bool) -> Stretch:
    own_x, own_y, n = x[a:b], y[a:b], b - a
    mean = float(own_y.mean())
    if not moves:
        left = float(np.var(own_y, ddof=1)) if n > 1 else 0.0
        return Stretch(first, last, mean, mean, 0.0, 0.0, 0.0, (left / n, 0.0, 0.0), max(n - 1, 0))
    middle = own_x.mean()
    spread = float(np.sum((own_x - middle) ** 2))
    slope = float(np.sum((own_x - middle) * own_y) / spread)
    rest = own_y - mean - slope * (own_x - middle)
    dof = max(n - 2, 1)
    left = float(np.sum(rest**2)) / dof
    to_end = last - 1 - middle
    width = WIDER * float(stdtrit(dof, 0.975)) * float(np.sqrt(left / spread))
    if abs(slope) <= width:  # it cannot be told whether it rises or falls
        return _fitted(x, y, a, b, first, last, moves=False)
    variances = (left / n + left / spread * to_end**2, left / spread, left / spread * to_end)
    return Stretch(
        first, last, mean + slope * (first - middle), mean + slope * to_end, slope, slope - width, slope + width,
        variances, dof,
    )  # fmt: skip


def _placed(found: list[Stretch], v: Floats, reach: int) -> list[Stretch]:
    """Move each edge, by at most four bins, to where the values on both sides lie nearest to their stretches."""
    edges = [0, *(s.last for s in found)]
    for n, (before, after) in enumerate(pairwise(found), start=1):
        low = max(edges[n - 1] + 1, before.last - 4 * reach)
        high = min(after.last - 1, before.last + 4 * reach)
        i = np.arange(low, high)
        left = np.abs(v[low:high] - (before.begin + before.slope * (i - before.first)))
        right = np.abs(v[low:high] - (after.begin + after.slope * (i - after.first)))
        total = np.concatenate([[0.0], np.cumsum(left - right)])
        edges[n] = low + int(np.argmin(total))
    moved = []
    for n, s in enumerate(found):
        moved.append(_reaching(s, edges[n], edges[n + 1]))
    return moved
