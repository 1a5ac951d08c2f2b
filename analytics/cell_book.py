"""The cell's own book: the gating chain as rows of the ledger, and beside it the parts that it made.

Where the chain does not reach, before the first moment of the log, after the last departure, or in a log that tells
only states, the walk through one instant (`roots`) stands in.
"""

from __future__ import annotations

import polars as pl

from analytics.cell import CELL, Cell
from analytics.gating.chain import CHAIN_SCHEMA
from analytics.gating.charge import WORK
from analytics.ledger import PAUSED
from analytics.plan import PLANNED_STOP
from analytics.roots import WORK as WORK_LINES
from analytics.roots import roots

INSTANT = "instant"
"""Thread of pieces that the walk through one instant charged."""


def fill(chain: pl.DataFrame, pieces: pl.DataFrame, cell: Cell, start_us: int, end_us: int) -> pl.DataFrame:
    """Make the chain cover [start_us, end_us) exactly.

    Takes    chain: CHAIN_SCHEMA, without gaps; pieces: the ledger of the lanes, which tile the span.
    Returns  CHAIN_SCHEMA; what `roots` charged has thread INSTANT.
    """
    inside = chain.filter((pl.col("start_us") < end_us) & (pl.col("end_us") > start_us)).with_columns(
        pl.col("start_us").clip(start_us, end_us), pl.col("end_us").clip(start_us, end_us)
    )
    inside = inside.with_columns(us=pl.col("end_us") - pl.col("start_us")).with_columns(
        absorbed_us=pl.min_horizontal("absorbed_us", "us")
    )
    first = end_us if inside.is_empty() else int(inside["start_us"].min())  # type: ignore[arg-type]
    last = end_us if inside.is_empty() else int(inside["end_us"].max())  # type: ignore[arg-type]
    around = [(a, b) for a, b in ((start_us, first), (last, end_us)) if a < b]
    if not around:
        return inside
    seen = roots(_for_the_cell(pieces), cell)
    found = [_as_chain(seen, a, b) for a, b in around]
    return pl.concat([found[0], inside, *found[1:]] if around[0][0] == start_us else [inside, *found])


def cell_rows(chain: pl.DataFrame, columns: pl.Schema) -> pl.DataFrame:
    """The chain in the shape of the ledger, for the lane CELL.

    Work along the way stands in the plan gap, and so does what buffers absorbed: as rows of no length at the start of
    the stop, taken off its line and given to the gap, since parts were made meanwhile.
    """
    work = pl.col("line") == WORK
    back = chain.filter(pl.col("absorbed_us") > 0).with_columns(end_us="start_us")
    rows = pl.concat(
        [
            chain,
            back.with_columns(us=-pl.col("absorbed_us")),
            back.with_columns(us="absorbed_us", line=pl.lit(WORK)),
        ]
    )
    return rows.select(
        "start_us",
        "end_us",
        "us",
        "product",
        "part",
        "log_file",
        "log_line",
        "log_end_file",
        "log_end_line",
        "plan",
        lane=pl.lit(CELL),
        line=pl.when(work).then(pl.lit("plan_gap")).otherwise("line"),
        cause=pl.when(work).then(None).otherwise("cause"),
        blamed=pl.when(~work).then("station"),
        waits_for=pl.lit(None, pl.String),
        cycle=pl.lit(None, pl.Int64),
    ).select(pl.col(name).cast(dtype) for name, dtype in columns.items())


def made_rows(move: pl.DataFrame, cell: Cell, columns: pl.Schema) -> pl.DataFrame:
    """Parts made and rejected: each takes its takt out of the plan gap.

    So good = takt x good parts and rejects = takt x rejected parts, as in ISO 22400-2, and the gap is what the
    stations' work along the way took beyond that.
    """
    good = pl.col("move") == "good"
    made = (
        move.filter(good | (pl.col("move") == "reject"))
        .join(cell.takts(), on="product", how="left", maintain_order="left")
        .with_columns(
            pl.col("takt_us").fill_null(cell.takts()["takt_us"].median()).cast(pl.Int64),
            line_=pl.when(good & pl.col("rework"))
            .then(pl.lit("rework"))
            .when(good)
            .then(pl.lit("good"))
            .when("start_up")
            .then(pl.lit("start_up_reject"))
            .otherwise(pl.lit("reject")),
            at=pl.when(~good).then("station"),
        )
    )
    both = [
        made.select(
            lane=pl.lit(CELL),
            start_us="us",
            end_us="us",
            us=sign * pl.col("takt_us"),
            line=line,
            cause=cause,
            blamed=at,
            product="product",
            part="part",
            log_file="file",
            log_line="line",
        )
        for sign, line, cause, at in (
            (1, pl.col("line_"), pl.col("cause"), pl.col("at")),
            (-1, pl.lit("plan_gap"), pl.lit(None, pl.String), pl.lit(None, pl.String)),
        )
    ]
    nothing = pl.DataFrame(schema=columns)
    return pl.concat([nothing, *both], how="diagonal_relaxed").select(
        pl.col(name).cast(dtype) for name, dtype in columns.items()
    )


def _for_the_cell(pieces: pl.DataFrame) -> pl.DataFrame:
    """A station's own planned stop is a line of the cell, which it may hold up."""
    idle = (pl.col("plan") == PLANNED_STOP) & ~pl.col("line").is_in(WORK_LINES)
    return pieces.with_columns(
        line=pl.when(idle)
        .then(pl.lit("planned_stop"))
        .when(pl.col("line") == PAUSED)
        .then(pl.lit("unexplained"))
        .otherwise("line")
    )


def _as_chain(seen: pl.DataFrame, start_us: int, end_us: int) -> pl.DataFrame:
    work = pl.col("line").is_in(["fast_cycle", "good", "reject", "start_up_reject", "rework"])
    station = pl.coalesce("blamed", pl.col("lane").str.split(".").list.first())
    return (
        seen.filter((pl.col("start_us") < end_us) & (pl.col("end_us") > start_us))
        .with_columns(pl.col("start_us").clip(start_us, end_us), pl.col("end_us").clip(start_us, end_us))
        .with_columns(
            us=pl.col("end_us") - pl.col("start_us"),
            station=pl.when(station != CELL).then(station),
            line=pl.when(work).then(pl.lit(WORK)).otherwise("line"),
            cause=pl.when(work).then(None).otherwise("cause"),
            step=pl.lit(None, pl.String),
            thread=pl.lit(INSTANT),
            slack_us=pl.lit(None, pl.Int64),
            absorbed_us=pl.lit(0, pl.Int64),
            runner_up=pl.lit(None, pl.String),
        )
        .select(pl.col(name).cast(dtype) for name, dtype in CHAIN_SCHEMA.items())
    )
