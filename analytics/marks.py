"""Records that are neither work nor the movement of a part: alarms with their ends, states, modes, carriers, orders."""

from __future__ import annotations

import polars as pl

from analytics.cell import Cell

KINDS = (
    "state", "mode", "alarm_on", "alarm_off", "carrier_start", "carrier_end", "order_start", "order_end", "plan_start",
    "plan_end", "reason", "count",
)  # fmt: skip


def marks(events: pl.DataFrame, start_us: int, end_us: int) -> pl.DataFrame:
    """List the records of KINDS within [start_us, end_us), in order.

    Returns  us (instant), kind, station, nest, lane, state, code, cause, at, order, product, carrier, value, text,
             file, line; station null: of the whole cell.
    """
    return events.filter(pl.col("kind").is_in(KINDS) & (pl.col("ts") >= start_us) & (pl.col("ts") < end_us)).select(
        "kind", "station", "nest", "lane", "state", "code", "cause", "at", "order", "product", "carrier", "value",
        "text", "file", "line", us="ts",
    )  # fmt: skip


def passages(events: pl.DataFrame, start_us: int, end_us: int) -> pl.DataFrame:
    """List the records of parts that come to a place or leave it: us (instant), kind (part_in, part_out) and where."""
    moved = pl.col("kind").is_in(["part_in", "part_out"])
    return events.filter(moved & (pl.col("ts") >= start_us) & (pl.col("ts") < end_us)).select(
        "kind", "station", "nest", "lane", "part", "product", "carrier", "file", "line", us="ts"
    )


def alarms(events: pl.DataFrame, cell: Cell) -> pl.DataFrame:
    """Pair every alarm with its end.

    Returns  one row per annunciation: station, nest, code, text (of the catalogue, else of the record), book (line of
             the catalogue; "breakdown" for a code that it does not know, "none" for a warning), blamed, start_us,
             end_us (null: it rose again, or no end is known), and its log lines; `stops` tells what it stopped.
    """
    group = ["station", "nest", "code"]
    rows = events.filter(pl.col("kind").is_in(["alarm_on", "alarm_off"])).sort(*group, "no", nulls_last=True)
    after = {name: pl.col(name).shift(-1).over(group) for name in ("kind", "ts", "file", "line")}
    closed = pl.col("after_kind") == "alarm_off"
    return (
        rows.with_columns(
            after_kind=after["kind"], after_us=after["ts"], after_file=after["file"], after_line=after["line"]
        )
        .filter(pl.col("kind") == "alarm_on")
        .rename({"line": "row"})
        .join(cell.catalogue(), on="code", how="left", maintain_order="left")
        .sort("ts", "no")
        .select(
            "station", "nest", "code",
            text=pl.coalesce("cause_text", "text"),
            book=pl.col("line").fill_null("breakdown"),
            blamed="blamed",
            start_us="ts",
            end_us=pl.when(closed).then("after_us"),
            log_file="file",
            log_line="row",
            log_end_file=pl.when(closed).then("after_file"),
            log_end_line=pl.when(closed).then("after_line"),
        )
    )  # fmt: skip
