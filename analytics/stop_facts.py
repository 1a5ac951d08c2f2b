"""Stops as facts: pieces of the ledger that belong together, with what a person said about them."""

from __future__ import annotations

import polars as pl

from analytics.cell import CELL, Cell
from analytics.ledger import NO_ALARM, STOP_LINES


def stop_facts(pieces: pl.DataFrame, events: pl.DataFrame, cell: Cell) -> pl.DataFrame:
    """List every stop of the pieces.

    Returns  lane, start_us, end_us, line, cause, text, alarm (bool: an alarm or a state names it; else only the
             length of its cycle does), said (what a person typed in about it, null: nothing), blamed, station, nest
             and its log lines. What one record stopped at several stations (an emergency stop) is one stop of the
             cell: lane CELL, station null.
    """
    rows = pieces.filter(pl.col("line").is_in(STOP_LINES) & (pl.col("start_us") < pl.col("end_us"))).sort(
        "lane", "start_us"
    )
    follows = (
        (pl.col("start_us") == pl.col("end_us").shift(1)) & (pl.col("line") == pl.col("line").shift(1))
        & pl.col("cause").eq_missing(pl.col("cause").shift(1))
    ).over("lane").fill_null(False)  # fmt: skip
    named = pl.col("cause").is_null() | (pl.col("cause") != NO_ALARM)
    first = ["line", "cause", "blamed", "product", "log_file", "log_line"]
    single = (
        rows.with_columns(run=(~follows).cast(pl.Int64).cum_sum())
        .group_by("run", maintain_order=True)
        .agg(pl.col("lane", "start_us").first(), pl.col("end_us").last(), pl.col(first).first(),
             pl.col("log_end_file", "log_end_line").last())
        .with_columns(alarm=named)
        .join(cell.lanes().drop("kind"), on="lane", how="left", maintain_order="left")
        .drop("run")
    )  # fmt: skip
    record = ["line", "cause", "log_file", "log_line"]
    shared = single.filter(pl.col("alarm") & (pl.col("station").n_unique().over(record) > 1))
    common = shared.group_by(record, maintain_order=True).agg(
        pl.col("start_us").min(),
        pl.col("end_us").max(),
        pl.col("blamed", "product", "alarm").first(),
        pl.col("log_end_file", "log_end_line").last(),
        lane=pl.lit(CELL),
        station=pl.lit(None, pl.String),
        nest=pl.lit(None, pl.String),
    )
    codes = cell.catalogue().select("code", text="cause_text")
    return (
        pl.concat([single.join(shared, on=["lane", "start_us"], how="anti"), common.select(single.columns)])
        .join(codes, left_on="cause", right_on="code", how="left")
        .with_columns(text=pl.coalesce("text", "cause"))
        .sort("start_us", "lane")
        .pipe(_with_reasons, events, cell)
    )


def _with_reasons(stops: pl.DataFrame, events: pl.DataFrame, cell: Cell) -> pl.DataFrame:
    """Add to each stop the reason of the same station that overlaps it most: rounded, late, sometimes wrong.

    It stands beside the cause that the logs tell, never in its place.
    """
    words = cell.catalogue().select("code", words="cause_text")
    reasons = (
        events.filter((pl.col("kind") == "reason") & pl.col("value").is_not_null())
        .join(words, left_on="cause", right_on="code", how="left", maintain_order="left")
        .select(
            "station",
            said=pl.coalesce("words", "cause", "text"),
            from_us="ts",
            to_us=pl.col("ts") + (pl.col("value") * 1e6).round().cast(pl.Int64),
        )
    )
    overlap = pl.min_horizontal("end_us", "to_us") - pl.max_horizontal("start_us", "from_us")
    told = (
        stops.with_row_index("stop")
        .join(reasons, on="station", nulls_equal=True)
        .with_columns(overlap=overlap)
        .filter(pl.col("overlap") > 0)
        .sort("overlap", "from_us", "said", descending=[True, False, False])
        .unique("stop", keep="first", maintain_order=True)
        .select("stop", "said")
    )
    return stops.with_row_index("stop").join(told, on="stop", how="left", maintain_order="left").drop("stop")
