"""Sums of a day's facts, kept beside them: from these the account of a long time is added up in a moment.

A row of a sum stands for all rows of one table that fall between two grains (the day's edges and those of shifts) and
are alike in all that accounts tell apart. It has no length, stands at the instant of the earliest of them, and carries
how many they are. So a query adds up sums as it adds up the facts, as long as no window begins or ends between grains.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Iterable, Mapping, Sequence
from datetime import date, timedelta

import polars as pl

from analytics.cell import CELL
from analytics.plan import BUSY, shift_spans
from analytics.plant import PlantFile

VERSION = "2"
"""Raise it when sums change their meaning: facts are then derived again."""

NAME = "sums"
"""As what they are kept, one table a day."""

LEDGER = ["lane", "line", "blamed", "station", "cause", "product", "unit_us"]
CYCLES = ["lane", "outcome", "rework", "outcome_cause"]
MOVES = ["move", "product", "cause", "rework"]

SUMMED = {
    "ledger": [*LEDGER, "plan", "start_us", "end_us", "us"],
    "cycles": [*CYCLES, "end_us", "n"],
    "moves": [*MOVES, "us", "n"],
    "plan": ["lane", "plan", "plan_cause", "start_us", "end_us"],
    "orders": ["start_us", "end_us"],
    "sets": ["set", "product", "complete", "placed", "last_us", "n"],
}
"""Table -> the columns that accounts ask for. Plan and orders are few rows, and are kept as they are."""

SCHEMA = {
    "of": pl.String,
    **dict.fromkeys(("lane", "line", "blamed", "station", "cause", "product", "plan", "plan_cause"), pl.String),
    **dict.fromkeys(("outcome", "outcome_cause", "move", "set"), pl.String),
    **dict.fromkeys(("rework", "complete"), pl.Boolean),
    **dict.fromkeys(("start_us", "end_us", "us", "last_us", "unit_us", "placed", "n"), pl.Int64),
}


def grains(plant: PlantFile, cell: str, day: date) -> list[int]:
    """Return the edges of a production day and those of shifts within it, sorted."""
    start_us, end_us = plant.day_bounds(day)
    edges = {us for s in shift_spans(plant, cell, day - timedelta(days=1), day) for us in (s.start_us, s.end_us)}
    return [start_us, *sorted(us for us in edges if start_us < us < end_us), end_us]


def day_sums(tables: Mapping[str, pl.DataFrame], edges: Sequence[int]) -> pl.DataFrame:
    """Add up the facts of a day between its grains. Returns SCHEMA; `of` names the table, its columns are in SUMMED."""
    start, end = pl.col("start_us"), pl.col("end_us")
    busy = tables["plan"].filter(pl.col("plan") == BUSY)
    ledger = (
        tables["ledger"]
        .filter(pl.col("plan") == BUSY)
        .with_columns(us=pl.when(start == end).then("us").otherwise(end - start), grain=_grain(start, edges))
    )
    over = (end > start) & (_grain(end - 1, edges) != pl.col("grain"))  # shifts that overlap: stays as it is
    booked = pl.concat(
        [
            ledger.filter(~over)
            .group_by(*LEDGER, "plan", "grain")
            .agg(start.min(), end_us=start.min(), us=pl.col("us").sum())
            .select(SUMMED["ledger"]),
            ledger.filter(over).select(SUMMED["ledger"]),
        ]
    )
    # A cycle that ends at the very end of a span was done inside it.
    at = pl.col("at")
    ended = _planned(tables["cycles"].with_columns(at=end - 1), busy).filter("busy")
    worked = ended.group_by(*CYCLES, _grain(at, edges)).agg(end.min(), n=pl.len())
    gone = _planned(tables["moves"].with_columns(at="us", lane=pl.lit(CELL)), busy)
    moved = gone.group_by(*MOVES, "busy", _grain(at, edges)).agg(pl.col("us").min(), n=pl.len())
    # A set that was begun the day before stands in that day's facts, too, an open one perhaps in the next: by name.
    begun_here = pl.col("complete") & (pl.col("first_us") >= edges[0])
    full = tables["sets"].filter(begun_here).group_by("product", "complete", _grain(pl.col("last_us"), edges))
    complete = full.agg(pl.col("last_us").min(), n=pl.len()).with_columns(
        set=pl.lit(None, pl.String), placed=pl.lit(None, pl.Int64)
    )
    kits = pl.concat(
        [f.select(SUMMED["sets"]) for f in (complete, tables["sets"].filter(~begun_here).with_columns(n=1))],
        how="vertical_relaxed",
    )
    rows = {"ledger": booked, "cycles": worked, "moves": moved, "sets": kits}
    rows |= {table: tables[table] for table in ("plan", "orders")}
    return pl.concat(
        [frame.select(SUMMED[table]).with_columns(of=pl.lit(table)) for table, frame in rows.items()],
        how="diagonal_relaxed",
    ).select(pl.col(name).cast(dtype) for name, dtype in SCHEMA.items()).sort(*SCHEMA, nulls_last=True)  # fmt: skip


def _grain(us: pl.Expr, edges: Sequence[int]) -> pl.Expr:
    return pl.lit(pl.Series(edges, dtype=pl.Int64)).search_sorted(us, side="right").alias("grain")


def _planned(rows: pl.DataFrame, busy: pl.DataFrame) -> pl.DataFrame:
    """Add whether the instant `at` lies in planned busy time of the lane."""
    spans = busy.select("lane", busy_us="start_us", until_us="end_us").sort("busy_us")
    found = rows.sort("at").join_asof(
        spans, left_on="at", right_on="busy_us", by="lane", strategy="backward", check_sortedness=False
    )
    return found.with_columns(busy=(pl.col("at") < pl.col("until_us")).fill_null(False))


def split(sums: pl.DataFrame) -> dict[str, pl.DataFrame]:
    """Return the tables that kept sums are made of, by name, each with its columns of SUMMED."""
    found = sums.partition_by("of", as_dict=True)
    return {table: found.get((table,), sums.clear()).select(columns) for table, columns in SUMMED.items()}


def of_lanes(lanes: Iterable[str]) -> pl.Expr:
    """What accounts of these lanes need of kept sums."""
    return pl.col("lane").is_null() | pl.col("lane").is_in([*lanes, CELL])


def fits(plant: PlantFile, cell: str, day: date, cuts: Sequence[int]) -> bool:
    """Tell whether none of the windows' ends (sorted) lies between two grains of a day."""
    start_us, end_us = plant.day_bounds(day)
    inside = cuts[bisect_right(cuts, start_us) : bisect_left(cuts, end_us)]
    return not inside or set(inside) <= set(grains(plant, cell, day))
