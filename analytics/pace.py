"""The pace of a station: what a cycle or step usually takes around its time, and which one took longer than that.

The rule: **what returns at once is a stop, what stays is slow running.** The usual time of a cycle is the median of its
lane, step and product around it (WINDOW of them), so a stop does not move it and lasting slowness does. A cycle is out
of the usual when it exceeds that level by more than the fence, which is fitted to its like: FENCE times their spread,
and as many times further as their upper tenth reaches further from the middle than the lower one. It is a stop when it
exceeds the cycles around it as well, and is long enough to be one (LEAST_STOP_US); where RUN or more of these are as
long, it is slow running, too short to have moved the level.
"""

from __future__ import annotations

import polars as pl

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
PACES = pl.Enum([USUAL, STOP, SLOW])

_LENGTH = pl.col("end_us") - pl.col("start_us")


def local_level(frame: pl.DataFrame, window: int = WINDOW) -> pl.DataFrame:
    """Add to each cycle or step what one like it usually took around its time.

    Takes    one row per cycle or step: lane, start_us, end_us; step and product where there are such. A product or
             step that is not known (null) is a group of its own.
    Returns  the same rows in the same order, and level_us (rolling median of the lengths of its lane, step and
             product; a stop does not move it, slow running does) and spread_us (1.48 times the median distance of
             the group's lengths from their level). A group of fewer than FEW borrows both from its lane and step.
    """
    group, like = _group(frame), [name for name in _group(frame) if name != "product"]
    # Only what is needed is sorted: the frame may be wide.
    rows = frame.select("start_us", "end_us", group_=_code(group), like_=_code(like)).with_row_index("row_")
    own = _levels(rows.sort("group_", "start_us", "end_us", "row_"), "group_", window)
    if group != like:
        small = pl.len().over("group_") < FEW
        few = own.select("row_", small=small).filter("small")
        if not few.is_empty():
            alike = _levels(rows.sort("like_", "start_us", "end_us", "row_"), "like_", window)
            alike = alike.select("row_", level_like="level_us", spread_like="spread_us")
            own = (
                own.join(alike.join(few, on="row_", how="semi"), on="row_", how="left", maintain_order="left")
                .with_columns(
                    level_us=pl.coalesce("level_like", "level_us"), spread_us=pl.coalesce("spread_like", "spread_us")
                )
                .drop("level_like", "spread_like")
            )
    return frame.with_columns(own.sort("row_").select("level_us", "spread_us"))


def _group(frame: pl.DataFrame) -> list[str]:
    return [name for name in ("lane", "step", "product") if name in frame.columns]


def _code(names: list[str]) -> pl.Expr:
    """One number per combination of names (null is a name too): quicker to sort and to group by than the names."""
    return pl.struct(names).hash()


def _levels(rows: pl.DataFrame, group: str, window: int) -> pl.DataFrame:
    """Level and spread of rows that are sorted by group and time."""
    length = _LENGTH.cast(pl.Float64)
    middle = length.rolling_median(window, min_samples=1, center=True)
    return rows.with_columns(level_us=middle.over(group)).with_columns(
        spread_us=pl.max_horizontal(
            SIGMA * (length - pl.col("level_us")).abs().median().over(group),
            LEAST_SHARE * pl.col("level_us"),
            pl.lit(LEAST_US),
        )
    )


def judge(levelled: pl.DataFrame) -> pl.DataFrame:
    """Tell of each cycle whether it was usual, a stop or slow running.

    Takes    what local_level returns, undisturbed cycles only (none around an alarm, a break or missing data).
    Returns  the same rows in the same order, and excess_us (length less level), fence_us, pace and stop_us (how long
             the stop was, null: none). pace is `usual`, `stop` (the pace came back at once) or `slow` (at least RUN of
             the 2 RUN - 1 cycles of the lane and step around it, of whatever product, were as slow; or too short for
             a stop).
    """
    # Products take turns, and one may have few cycles when its lane slows down: so the lane is asked as a whole.
    typical = pl.col("level_us").median().over("group_")
    around = (_LENGTH / pl.col("typical_")).rolling_median(2 * RUN - 1, min_samples=1, center=True).over("like_")
    group = _group(levelled)
    codes = {"group_": _code(group), "like_": _code([n for n in group if n != "product"])}
    rows = (
        levelled.select("start_us", "end_us", "level_us", "spread_us", **codes)
        .with_row_index("row_")
        .with_columns(excess_us=_LENGTH - pl.col("level_us"), typical_=typical)
        .pipe(_with_fence, "group_")
        .sort("like_", "start_us", "end_us", "row_")
        .with_columns(beyond_=_LENGTH - pl.max_horizontal("level_us", pl.col("typical_") * around))
    )
    least = pl.max_horizontal("fence_us", pl.min_horizontal(pl.lit(LEAST_STOP_US), pl.col("level_us") / 2))
    a_stop = pl.col("beyond_") > least
    out = pl.col("excess_us") > pl.col("fence_us")
    pace = pl.when(a_stop).then(pl.lit(STOP)).when(out).then(pl.lit(SLOW)).otherwise(pl.lit(USUAL))
    rows = rows.with_columns(pace=pace.cast(PACES), stop_us=pl.when(a_stop).then("beyond_"))
    return levelled.with_columns(rows.sort("row_").select("excess_us", "fence_us", "pace", "stop_us"))


def _with_fence(rows: pl.DataFrame, group: str) -> pl.DataFrame:
    """Add fence_us: FENCE spreads, further where the group's lengths reach further up than down (tenths of them)."""
    excess = pl.col("excess_us")
    middle = excess.median()
    reach = (excess.quantile(0.9, "linear") - middle) / (middle - excess.quantile(0.1, "linear"))
    skew = pl.when(pl.len() >= FEW).then(reach).over(group)
    return rows.with_columns(fence_us=FENCE * pl.col("spread_us") * skew.fill_null(1).fill_nan(1).clip(1, MOST_SKEW))
