"""The short stops themselves: those that an alarm names, and those that only an unusually long cycle tells."""

from __future__ import annotations

import polars as pl

from analytics.ledger import NO_ALARM
from analytics.pace import STOP

COLUMNS = {
    "station": pl.String(), "nest": pl.String(), "lane": pl.String(), "step": pl.String(), "start_us": pl.Int64(),
    "end_us": pl.Int64(), "us": pl.Int64(), "alarm": pl.Boolean(), "cause": pl.String(), "text": pl.String(),
    "product": pl.String(), "log_file": pl.String(), "log_line": pl.Int64(), "log_end_file": pl.String(),
    "log_end_line": pl.Int64(),
}  # fmt: skip


def silent_stops(work: pl.DataFrame) -> pl.DataFrame:
    """List the stops without alarm of judged work (analytics.work) with its records, of any length.

    Returns  COLUMNS, in order of time. start_us to end_us is the cycle or step in which the stop lies (where within it,
             no log tells), us what went beyond its usual length.
    """
    for name, dtype in (("step", pl.String), ("nest", pl.String), ("start_file", pl.String), ("start_line", pl.Int64)):
        if name not in work.columns:
            work = work.with_columns(pl.lit(None, dtype).alias(name))
    return _shaped(
        work.filter(pl.col("pace") == STOP).with_columns(
            start_us="began_us", us=pl.col("stop_us").round(), alarm=pl.lit(False), cause=pl.lit(NO_ALARM),
            text=pl.lit(NO_ALARM), log_file=pl.coalesce("start_file", "file"),
            log_line=pl.coalesce("start_line", "line"), log_end_file="file", log_end_line="line",
        )
    )  # fmt: skip


def one_each(silent: pl.DataFrame, work: pl.DataFrame) -> pl.DataFrame:
    """Count a stop once that two stations felt: a robot that waits in a step for a station's own stopped cycle.

    Of a robot's stop in a step at another station, and a stop of that station's own cycle that overlaps it, the
    station's stays.
    """
    if "at" not in work.columns or silent.is_empty():
        return silent
    at = work.filter((pl.col("pace") == STOP) & pl.col("at").is_not_null())
    felt = at.select("lane", "step", at="at", start_us="began_us", end_us="end_us")
    others = silent.filter(pl.col("step").is_null()).select(at="station", other_start="start_us", other_end="end_us")
    double = (
        felt.join(others, on="at")
        .filter((pl.col("other_start") < pl.col("end_us")) & (pl.col("other_end") > pl.col("start_us")))
        .select("lane", "step", "start_us", "end_us")
        .unique()
    )
    return silent.join(double, on=["lane", "step", "start_us", "end_us"], how="anti", nulls_equal=True)


def told_stops(stops: pl.DataFrame) -> pl.DataFrame:
    """List the short stops that an alarm or a state names, from the fact table of stops: COLUMNS, in order of time."""
    own = pl.col("alarm") & (pl.col("line") == "micro_stop") & pl.col("station").is_not_null()
    return _shaped(
        stops.filter(own).with_columns(us=pl.col("end_us") - pl.col("start_us"), step=pl.lit(None, pl.String))
    )


def _shaped(rows: pl.DataFrame) -> pl.DataFrame:
    return rows.select(pl.col(name).cast(dtype) for name, dtype in COLUMNS.items()).sort(
        "start_us", "end_us", "lane", "step", nulls_last=True
    )
