"""Stored events -> the ordered events of one cell: repeats dropped, the doubled hour resolved, lanes named."""

from __future__ import annotations

import numpy as np
import polars as pl

from analytics.cell import Cell

HOUR_US = 3_600_000_000
STEP_BACK_US = 1_800_000_000  # a source that goes back by more than this in the doubled hour has begun its second pass

# Ends before starts where one record gives several events, or several share an instant.
KIND_RANK = {
    kind: rank
    for rank, kind in enumerate(
        ("alarm_off", "step_end", "cycle_end", "measurement", "result", "part_out", "plan_end", "order_end",
         "carrier_end", "link", "mode", "state", "count", "reason", "carrier_start", "order_start", "plan_start",
         "part_in", "step_start", "cycle_start", "alarm_on")
    )
}  # fmt: skip


def prepare(events: pl.DataFrame, cell: Cell) -> pl.DataFrame:
    """Put the events of a cell in order.

    Takes    rows of ingest.events.SCHEMA, in any order, repeats included; with ts where clocks are aligned already.
    Returns  the same columns and ts (Int64, UTC microseconds), lane (station, or station.nest), no (order, from 0);
             without repeats (same source, time, content and number: the first by file and line stays).
    Equal times keep the order of source, seq, file, line, then ends before starts.
    """
    lanes = cell.lanes().select("station", "nest", "lane")
    nests = [f"{s.name}.{nest}" for s in cell.stations for nest in s.nests]
    return (
        _timed(_once(events))
        .with_columns(rank=pl.col("kind").replace_strict(KIND_RANK, default=99, return_dtype=pl.Int32))
        .sort("ts", "source", "seq", "file", "line", "rank", maintain_order=True)
        # A nest that the cell model does not know: the station as a whole is meant.
        .with_columns(nest=pl.when((pl.col("station") + "." + pl.col("nest")).is_in(nests)).then("nest"))
        # A station with nests may be spoken of as a whole (an alarm): then the record has no lane.
        .join(lanes, on=["station", "nest"], how="left", nulls_equal=True, maintain_order="left")
        .drop("rank")
        .with_row_index("no")
        .with_columns(pl.col("no").cast(pl.Int64))
    )


def _timed(events: pl.DataFrame) -> pl.DataFrame:
    if "ts" in events.columns:
        return events
    return resolve_doubled_hour(events.sort("file", "line", maintain_order=True))


def _once(events: pl.DataFrame) -> pl.DataFrame:
    """Drop rows that repeat another but for file and line; the first by file and line stays, and so does the order.

    Repeats are rare: only rows that are alike in a few columns are compared in all of them.
    """
    alike = events.select("source", "ts_source", "seq", "kind", "station", "part").hash_rows(seed=0).is_duplicated()
    if not alike.any():
        return events
    content = [c for c in events.columns if c not in ("file", "line", "ts")]
    rows = events.with_row_index("row").filter(alike).sort("file", "line", maintain_order=True)
    repeats = rows.join(rows.unique(content, keep="first", maintain_order=True), on="row", how="anti")["row"]
    kept = np.ones(events.height, dtype=bool)
    kept[repeats.to_numpy()] = False
    return events.filter(pl.Series(kept)) if len(repeats) else events


def duplicates(events: pl.DataFrame) -> int:
    """Return how many rows repeat another one."""
    content = [c for c in events.columns if c not in ("file", "line")]
    return events.height - events.select(content).unique().height


def resolve_doubled_hour(events: pl.DataFrame) -> pl.DataFrame:
    """Add ts: the instant in UTC microseconds, with local times that occur twice put into the pass they belong to.

    They are stored as the first of the two instants, `doubled`. Within a source the order of its running numbers (or,
    without them, of the lines of its file) tells the second pass: from the first step back on; without a step back, the
    pass that leaves the smaller gap to its neighbours.
    """
    events = events.with_columns(ts=pl.col("ts_source").cast(pl.Int64))
    if not events["doubled"].any():
        return events
    numbered = pl.col("seq").is_not_null()
    ordered = (
        events.with_row_index("row")
        .with_columns(stream=pl.when(numbered).then(pl.lit("")).otherwise(pl.col("file")))
        .sort("source", "stream", pl.when(numbered).then("seq").otherwise("line"), maintain_order=True)
    )
    by = ["source", "stream"]
    ts, twice = pl.col("ts"), pl.col("doubled").fill_null(False)
    passes = ordered.with_columns(
        stepped=(twice & (pl.when(twice).then(ts).cum_max().over(by) - ts > STEP_BACK_US)).fill_null(False)
    ).with_columns(second=pl.col("stepped").cast(pl.Int8).cum_max().over(by).cast(pl.Boolean) & twice)
    # Streams that never step back were seen in one pass only: which of the two fits better between the neighbours?
    edges = passes.group_by(by).agg(
        first=ts.filter(twice).min(),
        last=ts.filter(twice).max(),
        stepped=pl.col("second").any(),
        before=ts.filter(~twice & (ts < ts.filter(twice).min())).max(),
        after=ts.filter(~twice & (ts > ts.filter(twice).max())).min(),
    )
    gap_before, gap_after = pl.col("first") - pl.col("before"), pl.col("after") - pl.col("last") - HOUR_US
    edges = edges.select(
        *by,
        late=(
            ~pl.col("stepped")
            & pl.col("after").is_not_null()
            & (gap_after >= 0)
            & (pl.col("before").is_null() | (gap_before > gap_after))
        ).fill_null(False),
    )
    return (
        passes.join(edges, on=by, how="left", nulls_equal=True)
        .with_columns(ts=ts + pl.when(twice & (pl.col("second") | pl.col("late"))).then(HOUR_US).otherwise(0))
        .sort("row")
        .drop("row", "stream", "stepped", "second", "late")
    )
