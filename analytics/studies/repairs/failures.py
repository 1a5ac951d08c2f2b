"""Stops of a station put down as failures: each once, with its whole length and whether its end was seen."""

from __future__ import annotations

from typing import Any

import polars as pl

from analytics.cell import CELL

BREAKDOWN = "breakdown"

READY = ("run", "starved", "blocked")
"""Lines on which a lane works or could work: the station is back."""

ENDS_UNSEEN = "no_data"

BREAKDOWNS, ALARMED = "breakdowns", "all with an alarm"
"""The two kinds of failure that are counted: long ones alone, and with them the short stops that an alarm names."""

FAILURE: dict[str, Any] = {
    "station": pl.String,  # that is to blame; CELL: the cell as a whole
    "at": pl.String,  # where it stood (several nests: one of them)
    "lanes": pl.List(pl.String),
    "cause": pl.String,
    "text": pl.String,
    "line": pl.String,
    "product": pl.String,
    "said": pl.String,
    "start_us": pl.Int64,
    "end_us": pl.Int64,  # of the stop; of the window, where the end was not seen within it
    "back_us": pl.Int64,  # when the lane could work again; null: not seen
    "open": pl.Boolean,  # the end was not seen
    "log_file": pl.String,
    "log_line": pl.Int64,
    "log_end_file": pl.String,
    "log_end_line": pl.Int64,
}


def failures(stops: pl.DataFrame, stretches: pl.DataFrame, from_us: int, to_us: int) -> pl.DataFrame:
    """List the failures that began within [from_us, to_us), in order of time: FAILURE.

    Takes    stops: rows of sql/stop_list.sql; stretches: lane, start_us, end_us, line, cause (put_together).
    What one record stopped on several lanes is one failure: from the first start to the last end. Only breakdowns and
    short stops with an alarm are failures; a stop of safety is none.
    """
    failed = (pl.col("line") == BREAKDOWN) | ((pl.col("line") == "micro_stop") & pl.col("alarm"))
    own = stops.filter(failed & (pl.col("start_us") >= from_us) & (pl.col("start_us") < to_us))
    own = own.with_columns(pl.col("lane").cast(stretches.schema["lane"]))
    rows = _until(_whole(own, stretches), stretches, to_us)
    return (
        rows.with_columns(
            at=pl.coalesce("station", pl.lit(CELL)), station=pl.coalesce("blamed", "station", pl.lit(CELL))
        )
        .sort("start_us", "station", "lane", "cause", nulls_last=True)
        .group_by("station", "cause", "log_file", "log_line", maintain_order=True)
        .agg(
            pl.col("at", "text", "line", "product", "said").drop_nulls().first(),
            pl.col("start_us").min(),
            pl.col("end_us").max(),
            back_us=pl.when(pl.col("back_us").is_not_null().all()).then(pl.col("back_us").max()),
            open=pl.col("open").any(),
            lanes=pl.col("lane").unique().sort(),
            log_end_file=pl.col("log_end_file").sort_by("end_us").last(),
            log_end_line=pl.col("log_end_line").sort_by("end_us").last(),
        )
        .sort("start_us", "station", "cause", "log_file", "log_line", nulls_last=True)
        .select(pl.col(name).cast(dtype) for name, dtype in FAILURE.items())
    )  # fmt: skip


def put_together(tiles: pl.DataFrame, to_us: int) -> pl.DataFrame:
    """Put pieces of a lane on one line and cause together where one follows the other, across days too.

    Takes    tiles: lane, start_us, end_us, line, cause, those of a lane in order of time; they do not overlap.
    Returns  the same columns, in order of lane and time; the last stretch is cut at to_us.
    """
    tiles = tiles.sort("lane", maintain_order=True)
    before = pl.col("end_us").shift(1)
    follows = (
        (before == pl.col("start_us"))
        & (pl.col("lane") == pl.col("lane").shift(1))
        & (pl.col("line") == pl.col("line").shift(1))
        & pl.col("cause").eq_missing(pl.col("cause").shift(1))
    ).fill_null(value=False)  # fmt: skip
    rows = tiles.with_columns(first=~follows).with_columns(last=pl.col("first").shift(-1, fill_value=True))
    ends = rows.filter("last").select(pl.col("end_us").clip(None, to_us))
    return rows.filter("first").select("lane", "start_us", ends["end_us"], "line", "cause")


def of_kind(rows: pl.DataFrame, kind: str) -> pl.DataFrame:
    """Keep the failures of one of the two kinds."""
    return rows.filter(pl.col("line") == BREAKDOWN) if kind == BREAKDOWNS else rows


def _whole(stops: pl.DataFrame, stretches: pl.DataFrame) -> pl.DataFrame:
    """Stops are kept per day, cut soon after its end: take the end of the stretch that one began."""
    named = stretches.filter(pl.col("line").is_in([BREAKDOWN, "micro_stop"])).select(
        "lane", begins="start_us", stops="end_us", cause_=pl.col("cause").cast(pl.String), line_="line"
    )
    found = stops.sort("start_us").join_asof(
        named.sort("begins"), left_on="start_us", right_on="begins", by="lane", strategy="backward",
        check_sortedness=False,
    )  # fmt: skip
    goes_on = (
        (pl.col("stops") > pl.col("end_us")) & (pl.col("begins") <= pl.col("start_us"))
        & (pl.col("line_").cast(pl.String) == pl.col("line")) & pl.col("cause_").eq_missing(pl.col("cause"))
    ).fill_null(value=False)  # fmt: skip
    return found.with_columns(end_us=pl.when(goes_on).then("stops").otherwise("end_us"))


def _until(stops: pl.DataFrame, stretches: pl.DataFrame, to_us: int) -> pl.DataFrame:
    """Add whether the end was seen, and when the lane was back; a lane of the whole cell is back when all are."""
    unseen = stretches.filter(pl.col("line") == ENDS_UNSEEN).select("lane", end_us="start_us", silent=pl.lit(1))
    ready = stretches.filter(pl.col("line").is_in(READY)).select("lane", back_us="start_us", ready_until="end_us")
    rows = stops.join(unseen, on=["lane", "end_us"], how="left").with_columns(
        open=(pl.col("end_us") >= to_us) | pl.col("silent").is_not_null()
    )
    rows = rows.with_columns(end_us=pl.col("end_us").clip(None, to_us))
    found = rows.sort("end_us").join_asof(
        ready.sort("ready_until"), left_on="end_us", right_on="ready_until", by="lane", strategy="forward",
        allow_exact_matches=False, check_sortedness=False,
    )  # fmt: skip
    seen = pl.when(pl.col("ready_until").is_not_null()).then(pl.max_horizontal("back_us", "end_us"))
    back = pl.when(pl.col("lane") == CELL).then("end_us").otherwise(seen)
    return found.with_columns(back_us=pl.when(~pl.col("open")).then(back))
