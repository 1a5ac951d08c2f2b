"""The moves that the parts account is made of, and the stock between them."""

from __future__ import annotations

import polars as pl

from analytics.cell import Cell

MOVES = ("fed", "found", "good", "reject", "removed", "rework_open", "rework_done", "lost")
"""`found`: first seen behind the entry; `lost`: not seen for `lost_after_h`; the others are what they say."""

COLUMNS = ["us", "move", "part", "product", "set", "station", "cause", "start_up", "rework", "file", "line"]
NOTHING = pl.lit(None, pl.String)


def moves(
    fates: pl.DataFrame, events: pl.DataFrame, cell: Cell, start_us: int, end_us: int, since_us: int
) -> pl.DataFrame:
    """Write down every move of the parts account within [start_us, end_us).

    A part that was lost between since_us and start_us, when no day was kept, is booked as lost at start_us.
    Returns  COLUMNS; one row per move (MOVES), in order of time.
    """
    lost_us = pl.col("last_us") + round(cell.lost_after_h * 3600e6)
    gone = pl.col("done_us").is_not_null()
    entered = pl.when(pl.col("fed_station").is_in(cell.entries())).then(pl.lit("fed")).otherwise(pl.lit("found"))
    booked = [
        _book(fates, pl.col("fed_us"), entered, station="fed_station", cause=NOTHING),
        _book(fates.filter(gone), pl.col("done_us"), pl.col("outcome")),
        _book(fates.filter(~gone), lost_us, pl.lit("lost"), station="fed_station", cause=NOTHING),
        *_nameless(events, cell),
        *_rework(events, fates, pl.coalesce("done_us", lost_us)),
    ]
    late = (pl.col("us") >= since_us) & (pl.col("us") < start_us) & pl.col("move").is_in(["lost", "rework_done"])
    return (
        pl.concat(booked)
        .with_columns(us=pl.when(late).then(pl.lit(start_us, pl.Int64)).otherwise("us"))
        .filter((pl.col("us") >= start_us) & (pl.col("us") < end_us))
        .sort("us", "part", "move", "file", "line", nulls_last=True)
    )


def stock(fates: pl.DataFrame, cell: Cell, at_us: int) -> pl.DataFrame:
    """Count the parts inside the cell at an instant: product, inside_n, and rework_n of them in rework."""
    lost_us = pl.col("last_us") + round(cell.lost_after_h * 3600e6)
    inside = (pl.col("fed_us") < at_us) & (pl.coalesce("done_us", lost_us) >= at_us)
    return (
        fates.filter(inside)
        .group_by("product")
        .agg(inside_n=pl.len().cast(pl.Int64), rework_n=(pl.col("rework_us") < at_us).sum().cast(pl.Int64))
        .sort("product", nulls_last=True)
    )


def _book(frame: pl.DataFrame, us: pl.Expr, move: pl.Expr, **other: pl.Expr | str) -> pl.DataFrame:
    """Bring rows into the shape of moves; columns that are not given keep their name."""
    return frame.with_columns(us=us, move=move, **other).select(COLUMNS)


def _nameless(events: pl.DataFrame, cell: Cell) -> list[pl.DataFrame]:
    """Without part numbers a verdict or a departure is still one part that left; nobody saw it come."""
    out = (pl.col("kind") == "part_out") & (pl.col("station") == cell.outlet)
    bad = (pl.col("kind") == "result") & (pl.col("result") == "reject")
    no = pl.lit(False)
    left = events.filter(pl.col("part").is_null() & (out | bad).fill_null(False)).with_columns(start_up=no, rework=no)
    return [
        _book(left, pl.col("ts"), pl.when(out).then(pl.lit("good")).otherwise(pl.lit("reject"))),
        _book(left, pl.col("ts"), pl.lit("found"), cause=NOTHING),
    ]


def _rework(events: pl.DataFrame, fates: pl.DataFrame, until: pl.Expr) -> list[pl.DataFrame]:
    """A part goes into rework at its first verdict `rework` and comes out when it leaves the cell, or is lost."""
    verdict = ["station", "cause", "file", "line"]
    sent = (
        events.filter((pl.col("result") == "rework") & pl.col("part").is_not_null())
        .group_by("part", maintain_order=True)
        .agg(pl.col("ts", *verdict).first())
    )
    known = fates.filter("rework").with_columns(until=until).drop(verdict)
    both = sent.join(known, on="part")
    return [
        _book(both, pl.col("ts"), pl.lit("rework_open")),
        _book(both, pl.col("until"), pl.lit("rework_done")),
    ]
