"""Passes of parts through stations, each with the verdict that it got there."""

from __future__ import annotations

import polars as pl

SLACK_US = 5_000_000
"""A verdict may be stamped this much before its cycle's end, and without part numbers this much away from it."""
LATE_US = 3_600_000_000
"""A verdict that comes later than this after a part's cycle is not that cycle's."""


def judged(passes: pl.DataFrame, rejects: pl.DataFrame) -> pl.DataFrame:
    """Mark the passes at which a part was rejected.

    Takes    passes: station, lane, part, end_us, ...; one row per cycle.
             rejects: us, station, part, cause; one row per rejected part.
    Returns  passes with rejected (bool) and cause; of several passes of a part the last before the verdict is marked;
             without a part number the pass of the station that ended nearest, at most SLACK_US away. Passes keep
             their order.
    """
    numbered = passes.with_row_index("pass")
    rejects = rejects.with_columns(pl.col(c).cast(passes.schema[c]) for c in ("station", "part"))
    named = rejects.filter(pl.col("part").is_not_null()).with_columns(until=pl.col("us") + SLACK_US).sort("until")
    nameless = rejects.filter(pl.col("part").is_null()).sort("us")
    ends = numbered.select("pass", "station", "part", "end_us").sort("end_us", "pass")
    hits = pl.concat(
        [
            named.join_asof(
                ends, left_on="until", right_on="end_us", by=["station", "part"], strategy="backward",
                tolerance=LATE_US + SLACK_US, check_sortedness=False,
            ).select("pass", "us", "cause"),
            nameless.join_asof(
                ends.drop("part"), left_on="us", right_on="end_us", by="station", strategy="nearest",
                tolerance=SLACK_US, check_sortedness=False,
            ).select("pass", "us", "cause"),
        ]
    )  # fmt: skip
    marks = hits.drop_nulls("pass").sort("pass", "us", "cause", nulls_last=True).unique("pass", keep="first")
    return (
        numbered.join(
            marks.select("pass", "cause", rejected=pl.lit(True)), on="pass", how="left", maintain_order="left"
        )
        .with_columns(pl.col("rejected").fill_null(value=False))
        .drop("pass")
    )
