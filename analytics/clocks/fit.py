"""From the pairs of one series to a function of time: by how much the clock of the cause is ahead of the effect's.

At every knot of a grid that is fixed in time, a line is fitted through the pairs around it and read at the knot. What a
knot says depends on the pairs within its reach and on nothing else, so it is the same on whatever day it is asked for.
The fit does not cross a step (a clock that was set, or a reboot).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Any

import numpy as np

from analytics.clocks.pairs import Series, Times

KNOT_US = 1_800_000_000
REACH_US = (3_600_000_000, 10_800_000_000)  # the second where the first holds too few pairs
ENOUGH, LEAST = 12, 4  # pairs
STEP_US, SLACK_STEP_US = 200_000, 2_000_000  # smaller steps are smoothed out
BESIDE = 6  # pairs looked at on both sides of a step
STEP_REACH_US = 3_600_000_000
BLOCKS = 8
DRIFT_ALLOWED = 150e-6  # what two sides of a gap may differ by because the clock drifts, and is not set
SLOPE_SPAN_US = 1_200_000_000  # a drift is not read from less
MOST_DRIFT = 500e-6

Floats = np.ndarray[Any, np.dtype[np.float64]]


@dataclass(frozen=True, slots=True)
class Fit:
    """What the pairs around an instant say there."""

    ahead_us: float
    drift: float  # microseconds per microsecond
    spread_us: float  # half of the pairs lie within plus or minus this
    sigma_us: float
    pairs_n: int
    bound_us: float  # the cause is ahead at least by this


@dataclass
class Track:
    """A series as a function of time: fits at knots and on both sides of steps, per stretch between steps."""

    series: Series
    knots: Times
    steps: Times
    """Time of the cause's first record after each step, by the cause's clock."""
    steps_effect: Times
    """The same by the effect's clock."""
    at: list[Floats] = field(default_factory=list)
    ahead: list[Floats] = field(default_factory=list)
    fits: dict[int, Fit] = field(default_factory=dict)
    """By number of the knot."""

    def from_cause(self, us: float) -> float:
        """By how much the cause is ahead when its clock says `us`; NaN where there are no pairs."""
        n = int(np.searchsorted(self.steps, us, side="right"))
        return _read(self.at[n], self.ahead[n], us)

    def from_effect(self, us: float) -> float:
        """By how much the effect is ahead when its clock says `us`."""
        n = int(np.searchsorted(self.steps_effect, us, side="right"))
        return -_read(self.at[n] - self.ahead[n], self.ahead[n], us)

    def fit_near(self, us: float) -> Fit | None:
        """The fit of the nearest knot."""
        return None if np.isnan(us) else self.fits.get(round(us / KNOT_US))


def _read(at: Floats, ahead: Floats, us: float) -> float:
    if not len(at):
        return float("nan")
    after = int(np.searchsorted(at, us))
    if after == 0 or after == len(at):
        end = 0 if after == 0 else -1
        return float(ahead[end]) if abs(at[end] - us) <= KNOT_US else float("nan")
    if at[after] - at[after - 1] > 1.5 * KNOT_US:
        near = after if at[after] - us < us - at[after - 1] else after - 1
        return float(ahead[near]) if abs(at[near] - us) <= KNOT_US else float("nan")
    share = (us - at[after - 1]) / (at[after] - at[after - 1])
    return float(ahead[after - 1] + share * (ahead[after] - ahead[after - 1]))


def track(series: Series, records: Callable[[str], Times], from_us: int, to_us: int) -> Track:
    """Fit a series between two instants. `records`: all times of a source, sorted, to place its steps in."""
    ahead, least = series.ahead_us(), series.at_least_us()
    cut = find_steps(series.cause_us, ahead, series.sharp)
    own = [_first_after_gap(records(series.cause), series.cause_us, j) for j in cut]
    other = [_first_after_gap(records(series.effect), series.effect_us, j) for j in cut]
    knots = np.arange(-(-from_us // KNOT_US), to_us // KNOT_US + 1)
    found = Track(series, knots, np.array(own, np.int64), np.array(other, np.int64))
    edges = [0, *cut, len(ahead)]
    for n, (a, b) in enumerate(pairwise(edges)):
        start = found.steps[n - 1] if n else from_us - KNOT_US
        end = found.steps[n] if n < len(cut) else to_us + KNOT_US
        inside = [int(k) for k in knots if start <= k * KNOT_US < end]
        marks: list[tuple[int, int | None]] = [(k * KNOT_US, k) for k in inside]
        marks += [(int(start), None)] if n else []
        marks += [(int(end), None)] if n < len(cut) else []
        rows = []
        for us, k in sorted(marks, key=lambda m: m[0]):
            fit = fit_at(us, series.cause_us[a:b], ahead[a:b], least[a:b], series.sharp)
            if fit is not None:
                rows.append((us, fit.ahead_us))
                if k is not None:
                    found.fits[k] = fit
        found.at.append(np.array([r[0] for r in rows], dtype=np.float64))
        found.ahead.append(np.array([r[1] for r in rows], dtype=np.float64))
    return found


def fit_at(us: int, x: Times, ahead: Times, least: Times, sharp: bool) -> Fit | None:
    """Fit a line through the pairs around an instant and read it there. None where there are too few."""
    for reach in REACH_US:
        lo, hi = np.searchsorted(x, [us - reach, us + reach + 1])
        if hi - lo >= ENOUGH:
            break
    if hi - lo < LEAST:
        return None
    t = (x[lo:hi] - us).astype(np.float64)
    base = int(ahead[lo])
    y = (ahead[lo:hi] - base).astype(np.float64)
    drift = _drift(t, y) if sharp else 0.0
    flat = y - drift * t
    middle, half = densest_half(flat) if sharp else upper_edge(flat)
    n = int(hi - lo)
    beyond = max(0.0, -t[-1], t[0]) / max(float(t[-1] - t[0]), KNOT_US / 2)
    sigma = (2 * half / np.sqrt(n) + 500.0) * (1 + 3 * beyond)
    (bound,) = _quantiles((least[lo:hi] - base) - drift * t, 0.98)
    return Fit(base + middle, drift, half, float(sigma), n, base + bound)


def densest_half(values: Floats) -> tuple[float, float]:
    """Middle and half-width of the shortest stretch that holds half of the values (the shorth; Andrews et al. 1972)."""
    v = np.sort(values)
    h = len(v) // 2 + 1
    width = v[h - 1 :] - v[: len(v) - h + 1]
    shortest = np.flatnonzero(width <= width.min() + 1.0)
    i = int(shortest[len(shortest) // 2])
    return _median(v[i : i + h]), float(width[i] / 2)


def upper_edge(values: Floats) -> tuple[float, float]:
    """The value that 5 % lie above, and how far the middle of the values is from it: the least lags decide."""
    edge, middle = _quantiles(values, 0.95, 0.5)
    return edge, edge - middle


def _median(ordered: Floats) -> float:
    """Median of sorted values: numpy's own takes ten times as long to begin, and we ask for thousands of a few."""
    n = len(ordered)
    return float((ordered[(n - 1) // 2] + ordered[n // 2]) / 2)


def _medians(values: Floats) -> Floats:
    """Median of each row, NaN left out; NaN for a row of nothing else."""
    ordered = np.sort(values, axis=1)  # NaN last
    n = np.count_nonzero(~np.isnan(ordered), axis=1)
    row = np.arange(len(ordered))
    return np.asarray((ordered[row, np.maximum(n - 1, 0) // 2] + ordered[row, n // 2]) / 2)


def _quantiles(values: Floats, *shares: float) -> list[float]:
    """Quantiles, interpolated between neighbours as numpy's default does."""
    ordered = np.sort(values)
    found = []
    for share in shares:
        at = share * (len(ordered) - 1)
        low = int(at)
        a, b, part = ordered[low], ordered[min(low + 1, len(ordered) - 1)], at - low
        found.append(float(b - (b - a) * (1 - part) if part >= 0.5 else a + (b - a) * part))
    return found


def _drift(t: Floats, y: Floats) -> float:
    """Median of the slopes between blocks of time (Theil 1950, Sen 1968); 0 where they span too little."""
    span = t[-1] - t[0]
    if span < SLOPE_SPAN_US or len(t) < ENOUGH:
        return 0.0
    edges = np.searchsorted(t, t[0] + span * np.arange(1, BLOCKS) / BLOCKS)
    blocks = [(tt, yy) for tt, yy in zip(np.split(t, edges), np.split(y, edges), strict=True) if len(tt) >= 2]
    mx = np.array([_median(tt) for tt, _ in blocks])  # times come in order
    my = np.array([densest_half(yy)[0] for _, yy in blocks])
    i, j = np.triu_indices(len(mx), 1)
    apart = mx[j] - mx[i]
    far = apart >= span / 4
    if far.sum() < 3:
        return 0.0
    return float(np.clip(np.median((my[j] - my[i])[far] / apart[far]), -MOST_DRIFT, MOST_DRIFT))


def find_steps(x: Times, ahead: Times, sharp: bool) -> list[int]:
    """Return the numbers of the pairs that are the first after a step, from the level of the pairs beside it."""
    n = len(x)
    if n < 2 * LEAST:
        return []
    j = np.arange(1, n)
    y = (ahead - ahead[0]).astype(np.float64)
    back = j[:, None] - 1 - np.arange(BESIDE)
    front = j[:, None] + np.arange(BESIDE)
    levels, apart, times = [], [], []
    for near, inside in ((back, back >= 0), (front, front < n)):
        k = np.clip(near, 0, n - 1)
        close = inside & (np.abs(x[k] - x[j][:, None]) <= STEP_REACH_US)
        values = np.where(close, y[k], np.nan)
        enough = close.sum(axis=1) >= LEAST
        values[~enough] = 0.0
        levels.append(np.where(enough, _level(values, sharp), np.nan))
        times.append(_medians(np.where(close | ~enough[:, None], x[k] - x[0], np.nan)))
        off = np.abs(values - _medians(values)[:, None])
        apart.append(np.where(enough, _medians(off), np.nan))
    jump = levels[1] - levels[0]
    least = np.maximum(STEP_US, 6 * np.fmax(*apart)) if sharp else np.full(len(jump), SLACK_STEP_US)
    over = np.nan_to_num(np.abs(jump)) > least + DRIFT_ALLOWED * (times[1] - times[0])
    found = []
    starts = np.flatnonzero(over & ~np.r_[False, over[:-1]])
    ends = np.flatnonzero(over & ~np.r_[over[1:], False])
    rise = np.diff(y)
    for a, b in zip(starts, ends, strict=True):
        sign = np.sign(jump[a : b + 1])
        found.append(int(j[a + int((sign * rise[a : b + 1]).argmax())]))
    return sorted(set(found))


def _level(values: Floats, sharp: bool) -> Floats:
    if sharp:
        return _medians(values)
    ordered = np.sort(np.where(np.isnan(values), -np.inf, values), axis=1)
    return np.asarray(ordered[:, -2])  # the least lags but one


def _first_after_gap(records: Times, paired: Times, j: int) -> int:
    """The source's first record after its longest silence between the last pair before a step and the first after.

    A controller that boots was silent; a clock that is put forward leaves a gap; one that is put back, an overlap.
    """
    before, after = int(paired[j - 1]), int(paired[j])
    if after <= before:
        return after
    lo, hi = np.searchsorted(records, [before, after + 1])
    inside = records[lo:hi]
    if len(inside) < 2:
        return after
    return int(inside[1:][int(np.diff(inside).argmax())])
