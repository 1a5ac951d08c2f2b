"""Where a station's pace changed and stayed: changes of its level, and windows of slow running.

Of each lane (and step of a robot) the lengths of all products are laid in one row, each divided by what its product
usually takes here, stops left out, far too short ones lengthened to the fence; a library finds where the level changes.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator

import numpy as np
import polars as pl

from analytics.pace import STOP
from analytics.statistics.change_points import Z95, Level, changes, levels

USUAL_QUANTILE = 0.2
"""Usual is the median of the local levels near the one that a fifth of them does not reach (within SLOW_SHARE of it):
lasting slowness may take most of the time."""
SLOW_SHARE = 0.03
"""A level that is higher than usual by at least this share is slow running."""
CHANGE_SHARE = 0.01
"""A change of level by less is not told: it is found where there are thousands of cycles, and matters to nobody."""
BRIEF_US = 8 * 3_600_000_000
"""What a product usually takes can not be told from slowness when all its cycles lie within so short a time: then the
plan says how much longer than the others it should take, where there is one."""
NEAR_US = 600_000_000
"""Windows of one station whose edges are this near to each other are one."""

NEEDED = (
    "station", "lane", "step", "at", "product", "start_us", "end_us", "began_us", "level_us", "excess_us", "fence_us",
    "planned_us",
)  # fmt: skip
"""Columns of judged work that are asked for here: wide frames take long to sort."""
CHANGES = {
    "station": pl.String(), "lane": pl.String(), "step": pl.String(), "at_us": pl.Int64(), "before_us": pl.Float64(),
    "after_us": pl.Float64(), "size_us": pl.Float64(), "low_us": pl.Float64(), "high_us": pl.Float64(),
    "size_share": pl.Float64(), "before_n": pl.Int64(), "after_n": pl.Int64(),
}  # fmt: skip
WINDOWS = {
    "station": pl.String(), "where": pl.String(), "start_us": pl.Int64(), "end_us": pl.Int64(),
    "more_share": pl.Float64(), "low_share": pl.Float64(), "high_share": pl.Float64(), "cycles_n": pl.Int64(),
    "lost_us": pl.Float64(),
}  # fmt: skip


def pace_changes(*work: pl.DataFrame) -> pl.DataFrame:
    """List the changes of level of every lane and step.

    Takes    judged work (see analytics.work), one frame or more, of which none continues another's lanes: lane,
             station, step, product, start_us, end_us, level_us, pace.
    Returns  one row per change, in order of time: CHANGES. before_us and after_us are in lengths of the usual cycle,
             size_us with its 95 % interval low_us to high_us.
    """
    rows = [
        (station, lane, step, int(own["began_us"][c.at]), usual * c.before, usual * c.after, usual * c.size,
         usual * c.low, usual * c.high, c.size / c.before, before.n, after.n)
        for (station, lane, step), own, usual, found in _series(work)
        for c, before, after in zip(changes(found), found[:-1], found[1:], strict=True)
        if abs(c.size) >= CHANGE_SHARE * c.before and (c.low > 0) == (c.high > 0)
    ]  # fmt: skip
    return pl.DataFrame(rows, schema=CHANGES, orient="row").sort("at_us", "lane", "step")


def slow_windows(*work: pl.DataFrame) -> pl.DataFrame:
    """List the times in which a station ran slower than it usually does; takes what pace_changes does.

    Returns  one row per window, in order of time: WINDOWS. `where`: the lanes and steps that were slow, more_share by
             how much their level was higher (95 %: low_share to high_share), lost_us the time that this took in all.
    """
    rows = []
    for (station, lane, step), own, _, found in _series(work):
        starts, ends = own["began_us"], own["end_us"]
        beyond = own.select(((pl.col("relative") - 1) * pl.col("usual_us")).alias("us"))["us"].to_numpy()
        for group in _slow_runs(found):
            first, last = group[0].first, group[-1].last
            n = np.array([part.n for part in group], dtype=np.float64)
            mean = float((np.array([part.mean for part in group]) * n).sum() / n.sum()) - 1
            width = Z95 * float(np.sqrt(((np.array([part.error for part in group]) * n) ** 2).sum()) / n.sum())
            if mean - width < SLOW_SHARE / 2:
                continue
            where = lane if step is None else f"{lane} {step}"
            span = (int(starts[first]), int(ends[last - 1]))
            rows.append((station, own["at"][0], where, *span, mean, mean - width, mean + width, last - first,
                         float(beyond[first:last].sum())))  # fmt: skip
    schema = {"station": pl.String(), "at": pl.String(), **WINDOWS}
    found_ = pl.DataFrame(rows, schema=schema, orient="row").sort("station", "start_us", "end_us", "where")
    return _joined(_felt_elsewhere(found_))


def _series(
    work: Iterable[pl.DataFrame],
) -> Iterator[tuple[tuple[str, str, str | None], pl.DataFrame, float, list[Level]]]:
    """Of each lane and step: its name, its rows in order with `relative`, the usual length, and its levels."""
    for frame in work:
        for name in ("step", "at", "began_us"):
            if name not in frame.columns:
                other = pl.col("start_us") if name == "began_us" else pl.lit(None, pl.String)
                frame = frame.with_columns(other.alias(name))
        calm = frame.filter(pl.col("pace") != STOP).select(name for name in NEEDED if name in frame.columns)
        for (station, lane, step), part in calm.partition_by("station", "lane", "step", as_dict=True).items():
            own = (
                _with_usual(part)
                .filter(pl.col("usual_us") > 0)
                .with_columns(length_us=pl.col("level_us") + pl.max_horizontal("excess_us", -pl.col("fence_us")))
                .with_columns(relative=pl.col("length_us") / pl.col("usual_us"))
                .sort("start_us", "end_us", "product", nulls_last=False)
            )
            if own.is_empty():
                continue
            usual = float(own.select(pl.col("usual_us").mean()).item())
            yield (str(station), str(lane), None if step is None else str(step)), own, usual, levels(own["relative"])


def _with_usual(work: pl.DataFrame) -> pl.DataFrame:
    """Add usual_us: what this product usually takes; takes the rows of one lane and step."""
    if "planned_us" not in work.columns:
        work = work.with_columns(planned_us=pl.lit(None, pl.Int64))
    per_plan = pl.col("usual_us") / pl.col("planned_us")
    brief = (pl.col("end_us").max() - pl.col("start_us").min()).over("product") < BRIEF_US
    long_known = pl.when(~brief).then(per_plan).median()
    quick = pl.col("level_us").quantile(USUAL_QUANTILE).over("product")
    near = pl.when((pl.col("level_us") / quick - 1).abs() < SLOW_SHARE).then("level_us")
    return (
        work.with_columns(near=near)
        .with_columns(usual_us=pl.col("near").median().over("product"))
        .with_columns(
            usual_us=pl.when(brief & long_known.is_not_null() & pl.col("planned_us").is_not_null())
            .then(pl.min_horizontal("usual_us", long_known * pl.col("planned_us")))
            .otherwise("usual_us")
        )
        .drop("near")
    )


def _slow_runs(found: list[Level]) -> list[list[Level]]:
    """Neighbouring levels that are all slow, as one run each."""
    runs: list[list[Level]] = []
    for level in found:
        if level.mean - 1 < SLOW_SHARE:
            continue
        if runs and runs[-1][-1].last == level.first:
            runs[-1].append(level)
        else:
            runs.append([level])
    return runs


def _felt_elsewhere(windows: pl.DataFrame) -> pl.DataFrame:
    """Give a robot's slow step to the station that it is at, when that station was slow at the same time itself.

    Its time is lost once: the station has it already.
    """
    own = windows.filter(pl.col("at").is_null()).select(at="station", own_start="start_us", own_end="end_us")
    near = ((pl.col("own_start") - pl.col("start_us")).abs() <= NEAR_US) & (
        (pl.col("own_end") - pl.col("end_us")).abs() <= NEAR_US
    )
    keys = ["where", "start_us"]
    felt = windows.join(own, on="at").filter(near).select(*keys, felt=pl.lit(True)).unique()
    felt_here = pl.col("felt").fill_null(False)
    return (
        windows.join(felt, on=keys, how="left")
        .with_columns(
            station=pl.when(felt_here).then("at").otherwise("station"),
            lost_us=pl.when(felt_here).then(0.0).otherwise("lost_us"),
        )
        .drop("at", "felt")
        .sort("station", "start_us", "end_us", "where")
    )


def _joined(windows: pl.DataFrame) -> pl.DataFrame:
    """Make one window of those of a station (nests, steps of a robot) that begin and end near each other."""
    kept: list[dict[str, object]] = []
    groups: list[list[int]] = []
    rows = windows.rows(named=True)
    for n, row in enumerate(rows):
        for group in groups:
            one = rows[group[0]]
            near = abs(one["start_us"] - row["start_us"]) <= NEAR_US and abs(one["end_us"] - row["end_us"]) <= NEAR_US
            if one["station"] == row["station"] and near:
                group.append(n)
                break
        else:
            groups.append([n])
    for group in groups:
        own = windows[group]
        by_time = pl.col("lost_us") / pl.col("more_share")  # what the cycles would have taken
        kept += own.select(
            pl.col("station").first(),
            where=pl.col("where").sort().str.join(", "),
            start_us=pl.col("start_us").min(),
            end_us=pl.col("end_us").max(),
            more_share=pl.col("lost_us").sum() / by_time.sum(),
            low_share=(pl.col("low_share") * by_time).sum() / by_time.sum(),
            high_share=(pl.col("high_share") * by_time).sum() / by_time.sum(),
            cycles_n=pl.col("cycles_n").max(),
            lost_us=pl.col("lost_us").sum(),
        ).rows(named=True)
    return pl.DataFrame(kept, schema=WINDOWS).sort("start_us", "station", "where")
