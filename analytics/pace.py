"""The pace of a station: what a cycle or step usually takes around its time, and which one took longer than that.

The rule: **what returns at once is a stop, what stays is slow running.** The usual time of a cycle is the median of its
lane, step and product around it (WINDOW of them), so a stop does not move it and lasting slowness does. A cycle is out
of the usual when it exceeds that level by more than the fence, which is fitted to its like: FENCE times their spread,
and as many times further as their upper tenth reaches further from the middle than the lower one. It is a stop when it
exceeds the cycles around it as well, and is long enough to be one (LEAST_STOP_US); where RUN or more of these are as
long, it is slow running, too short to have moved the level.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import polars as pl
from scipy.ndimage import median_filter

WINDOW = 31
"""Cycles of the same lane, step and product that tell the level, half of them on each side."""
FENCE = 4.5
"""Spreads above the level at which a cycle is out of the usual: about one in 100 000 where lengths are normal."""
MOST_SKEW = 4.0
"""The fence is moved out by at most this factor."""
LEAST_STOP_US = 1_000_000
"""A stop lasts at least this long, or half the level where that is shorter; less beyond the fence is slow."""
RUN = 5
"""So many long cycles in a row have stayed: slow running."""
FEW = 5
"""Groups of fewer cycles borrow level and spread from all products of their lane and step."""
SIGMA = 1.4826022
"""Standard deviation of a normal distribution per median absolute deviation."""
LEAST_SHARE = 0.003
"""The spread is at least this share of the level, and LEAST_US: stamps and scans are not finer."""
LEAST_US = 5_000.0

USUAL, STOP, SLOW = "usual", "stop", "slow"
PACES = (USUAL, STOP, SLOW)

Ints = npt.NDArray[np.int64]
Floats = npt.NDArray[np.float64]


def local_level(frame: pl.DataFrame, window: int = WINDOW) -> pl.DataFrame:
    """Add to each cycle or step what one like it usually took around its time.

    Takes    one row per cycle or step: lane, start_us, end_us; step and product where there are such. A product or
             step that is not known (null) is a group of its own.
    Returns  the same rows in the same order, and level_us (rolling median of the lengths of its lane, step and
             product; a stop does not move it, slow running does) and spread_us (1.48 times the median distance of
             the group's lengths from their level). A group of fewer than FEW borrows both from its lane and step.
    """
    group, like = _group(frame), [name for name in _group(frame) if name != "product"]
    length = _length(frame)
    groups = _in_time(frame, group)
    level, spread = _levels(length, groups, window)
    few = [rows for rows in groups if len(rows) < FEW]
    if group != like and few:
        small = np.zeros(frame.height, dtype=bool)
        small[np.concatenate(few)] = True
        alike = [rows for rows in _in_time(frame, like) if small[rows].any()]
        level_like, spread_like = _levels(length, alike, window)
        level, spread = np.where(small, level_like, level), np.where(small, spread_like, spread)
    return frame.with_columns(pl.Series("level_us", level), pl.Series("spread_us", spread))


def _group(frame: pl.DataFrame) -> list[str]:
    return [name for name in ("lane", "step", "product") if name in frame.columns]


def _length(frame: pl.DataFrame) -> Floats:
    return (frame["end_us"] - frame["start_us"]).cast(pl.Float64).to_numpy()


def _in_time(frame: pl.DataFrame, names: list[str]) -> list[Ints]:
    """Of each combination of names (null is a name too): its rows in order of time."""
    start, end = frame["start_us"].to_numpy(), frame["end_us"].to_numpy()
    found = []
    # One number per combination is quicker to group by than the names.
    codes = frame.select(code=pl.struct(names).hash(), row=pl.int_range(pl.len()))
    for rows in codes.group_by("code").agg("row")["row"]:
        own = rows.to_numpy()
        if (np.diff(start[own]) <= 0).any():
            own = own[np.lexsort((end[own], start[own]))]
        found.append(own)
    return found


def _levels(length: Floats, groups: list[Ints], window: int) -> tuple[Floats, Floats]:
    """Level and spread of the rows of groups, each in order of time; nan for rows of no group."""
    level, spread = np.full(len(length), np.nan), np.full(len(length), np.nan)
    for rows in groups:
        own = length[rows]
        level[rows] = rolling_median(own, window)
        spread[rows] = SIGMA * _median(pl.Series(np.abs(own - level[rows])))
    return level, np.maximum(np.maximum(spread, LEAST_SHARE * level), LEAST_US)


def rolling_median(values: Floats, window: int) -> Floats:
    """Median of the values around each one, itself in the middle; fewer than `window` (an odd number) at the ends."""
    short = min(2 * window, len(values))
    if len(values) <= 2 * window:
        return _rolling(values, window)
    found: Floats = median_filter(values, window)  # far quicker than polars where the window is whole
    half = window // 2
    found[:half] = _rolling(values[:short], window)[:half]
    found[-half:] = _rolling(values[-short:], window)[-half:]
    return found


def _rolling(values: Floats, window: int) -> Floats:
    return pl.Series(values).rolling_median(window, min_samples=1, center=True).to_numpy()


def _median(values: pl.Series) -> float:
    return float(values.median())  # type: ignore[arg-type]


def judge(levelled: pl.DataFrame) -> pl.DataFrame:
    """Tell of each cycle whether it was usual, a stop or slow running.

    Takes    what local_level returns, undisturbed cycles only (none around an alarm, a break or missing data).
    Returns  the same rows in the same order, and excess_us (length less level), fence_us, pace and stop_us (how long
             the stop was, null: none). pace is `usual`, `stop` (the pace came back at once) or `slow` (at least RUN of
             the 2 RUN - 1 cycles of the lane and step around it, of whatever product, were as slow; or too short for
             a stop).
    """
    group = _group(levelled)
    length, level, spread = _length(levelled), levelled["level_us"].to_numpy(), levelled["spread_us"].to_numpy()
    excess, fence = length - level, np.empty(len(length))
    # Products take turns, and one may have few cycles when its lane slows down: so the lane is asked as a whole.
    typical, around = np.empty(len(length)), np.empty(len(length))
    for rows in _in_time(levelled, group):
        typical[rows] = _median(pl.Series(level[rows]))
        fence[rows] = FENCE * spread[rows] * _skew(pl.Series(excess[rows]))
    for rows in _in_time(levelled, [name for name in group if name != "product"]):
        around[rows] = rolling_median(length[rows] / typical[rows], 2 * RUN - 1)
    beyond = length - np.maximum(level, typical * around)
    a_stop = beyond > np.maximum(fence, np.minimum(LEAST_STOP_US, level / 2))
    pace = np.select([a_stop, excess > fence], [PACES.index(STOP), PACES.index(SLOW)], PACES.index(USUAL))
    return levelled.with_columns(
        pl.Series("excess_us", excess),
        pl.Series("fence_us", fence),
        pl.Series("pace", pace.astype(np.uint8)).cat.to(pl.Enum(PACES)),
        pl.Series("stop_us", beyond).set(pl.Series(~a_stop), None),
    )


def _skew(excess: pl.Series) -> float:
    """How much further a group's lengths reach up than down (tenths of them), from 1 to MOST_SKEW; 1 for few."""
    if len(excess) < FEW:
        return 1.0
    low, high = (float(excess.quantile(q, "linear")) for q in (0.1, 0.9))  # type: ignore[arg-type]
    up, down = high - _median(excess), _median(excess) - low
    if down == 0:
        return 1.0 if up == 0 else MOST_SKEW
    return min(max(up / down, 1.0), MOST_SKEW)
