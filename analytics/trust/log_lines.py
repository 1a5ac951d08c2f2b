"""Which lines of which file gave events in which hour; and the records among them that only repeat another."""

from __future__ import annotations

import polars as pl

from analytics.trust.base import Heard, as_faults

LINES_SCHEMA = {
    "source": pl.String,
    "file": pl.String,
    "from_us": pl.Int64,
    "to_us": pl.Int64,
    "first_line": pl.Int64,
    "last_line": pl.Int64,
}
"""One row per run of lines that follow one another without a hole, all with events, all of one hour.

The lines between runs gave no events: `place.py` knows where they belong.
"""

LINE = ["source", "file", "line"]


def log_lines(heard: Heard) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Return the runs of lines of the day (LINES_SCHEMA), and its repeats as faults, one row per file and hour.

    A line whose events have several times belongs to the earliest of them. A repeated line belongs to the time of the
    line that it repeats.
    """
    lines = heard.inside(_timed(heard), "ts").sort("place").with_columns(from_us=heard.cut("ts"))
    repeats = (
        lines.filter(pl.col("dropped_n") > 0)
        .group_by("source", "file", "from_us", maintain_order=True)
        .agg(
            us=pl.col("ts").min(),
            n=pl.col("dropped_n").sum(),
            also_n=(pl.col("kept_n") == 0).sum(),
            log_line=pl.col("line").first(),
        )
        .rename({"file": "log_file"})
    )
    ends = dict(zip(heard.edges, heard.edges[1:], strict=False))
    follows = (pl.col("place") == pl.col("place").shift(1) + 1) & (pl.col("from_us") == pl.col("from_us").shift(1))
    runs = (
        lines.with_columns(run=(~follows.fill_null(False)).cast(pl.Int64).cum_sum())
        .group_by("run", maintain_order=True)
        .agg(
            pl.col("source", "file", "from_us").first(),
            first_line=pl.col("line").first(),
            last_line=pl.col("line").last(),
        )
        .with_columns(to_us=pl.col("from_us").replace_strict(ends, return_dtype=pl.Int64))
    )
    return runs.select(pl.col(name).cast(dtype) for name, dtype in LINES_SCHEMA.items()), as_faults(repeats, "repeat")


def _timed(heard: Heard) -> pl.DataFrame:
    """One row per line: its time, how many of its records were kept, and how many were dropped as repeats."""
    kept = heard.lines.select("kept_n", ts="first_ts", place=heard.place())
    every = (
        heard.raw.select(*LINE, "ts_source", "seq", place=heard.place())
        .group_by("place")
        .agg(pl.col(LINE).first(), pl.len(), pl.col("ts_source").min(), pl.col("seq").first())
    )
    lines = every.join(kept, on="place", how="left")
    # All of whose records were dropped: the line that it repeats has the same time and number.
    same = ["source", "ts_source", "seq"]
    twins = lines.filter(pl.col("ts").is_null()).select(same).unique()
    if twins.height:
        found = heard.events.join(twins, on=same, how="semi", nulls_equal=True)
        twins = found.group_by(same).agg(twin_ts=pl.col("ts").min())
        lines = lines.join(twins, on=same, how="left", nulls_equal=True).with_columns(pl.coalesce("ts", "twin_ts"))
    return lines.filter(pl.col("ts").is_not_null()).select(
        *LINE,
        "place",
        "ts",
        pl.col("kept_n").fill_null(0).cast(pl.Int64),
        dropped_n=(pl.col("len").cast(pl.Int64) - pl.col("kept_n").fill_null(0).cast(pl.Int64)).clip(0),
    )
