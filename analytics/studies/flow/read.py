"""What the flow of a cell is told from: frames of the kept facts, read once."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import duckdb
import numpy as np
import polars as pl

from analytics.account import Window, _products
from analytics.book import Plant, query
from analytics.cell import PLACES, Cell
from analytics.studies.flow.active import books
from analytics.study import facts_of

HOUR_US = 3_600_000_000
CHAIN = {"station": pl.String, "line": pl.String, "start_us": pl.Int64, "end_us": pl.Int64}


@dataclass(frozen=True)
class Read:
    """Facts of one cell and window, cut at its edges."""

    model: Cell
    window: Window
    edges: list[int]  # of the bins
    pieces: pl.DataFrame  # lane, station, start_us, end_us, line, book: planned busy time of the working stations
    busy: pl.DataFrame  # lane, start_us, end_us: planned busy time of each lane
    cell_busy: pl.DataFrame  # start_us, end_us of the cell's planned busy time
    visits: pl.DataFrame  # part, station, start_us, end_us
    passages: pl.DataFrame | None  # us, kind, station, part; None: not kept
    lives: pl.DataFrame  # part, fed_us, done_us, lost
    moves: pl.DataFrame  # us, step
    chain: pl.DataFrame | None  # CHAIN; None: not kept

    @property
    def busy_us(self) -> int:
        """The cell's planned busy time."""
        return int((self.cell_busy["end_us"] - self.cell_busy["start_us"]).sum())


def read(plant: Plant, cell: str, window: Window, product: str | None) -> Read:
    """Read them. Raises InputError for names that do not exist and periods without events."""
    model = plant.cell(cell)
    products = _products(model, product)
    span: dict[str, Any] = {"from_us": window.from_us, "to_us": window.to_us}
    working = model.working()
    attending = [s.name for s in model.stations if s.kind == "robot" or (s.kind in PLACES and s.name not in working)]
    with facts_of(plant, cell, window) as con:
        pieces = query(con, "flow_pieces", **span, stations=working, products=products)
        visits = query(
            con, "flow_visits", **span, products=products, stations=[s for s in working if s not in attending]
        )
        lives = query(con, "flow_lives", **span, products=products, lost_us=round(model.lost_after_h * HOUR_US))
        moves = query(con, "flow_moves", **span, products=products)
        plans = con.sql("select lane, start_us, end_us from plan where plan = 'busy'").pl()
        passages = _if_kept(con, "passages", ["us", "kind", "station", "part", "product"])
        chain = _if_kept(con, "chain", list(CHAIN))
    if passages is not None:
        known = passages.filter(pl.col("part").is_in(lives["part"].implode())) if products else passages
        passages = known.filter((pl.col("us") < window.to_us) & ~pl.col("station").is_in(attending))
    if chain is not None:
        chain = clip(chain.filter(pl.col("line") != "planned_stop"), window).sort("start_us", "end_us", "station")
    plans = clip(plans, window)
    return Read(
        model, window, bins(plant, window), pieces.with_columns(book=books(pl.col("line"))),
        plans.filter(pl.col("lane") != "*"), plans.filter(pl.col("lane") == "*").sort("start_us"),
        visits, passages, lives, moves, chain,
    )  # fmt: skip


def bins(plant: Plant, window: Window) -> list[int]:
    """Edges of quarter hours for a window of half a day at most, else of the clock's full hours."""
    from_us, to_us = window.from_us, window.to_us
    if to_us - from_us > 12 * HOUR_US:
        return [from_us, *plant.file.full_hours(from_us, to_us), to_us]
    quarter = HOUR_US // 4
    return [from_us, *range((from_us // quarter + 1) * quarter, to_us, quarter), to_us]


def clip(spans: pl.DataFrame, window: Window) -> pl.DataFrame:
    """Cut spans at the window's edges."""
    start, end = pl.col("start_us").clip(lower_bound=window.from_us), pl.col("end_us").clip(upper_bound=window.to_us)
    return spans.with_columns(start, end).filter(pl.col("start_us") < pl.col("end_us"))


def _if_kept(con: duckdb.DuckDBPyConnection, table: str, columns: list[str]) -> pl.DataFrame | None:
    """Columns of a fact table in its order; None where the facts have no such table."""
    known = con.sql("select table_name from information_schema.tables").fetchall()
    if (table,) not in known:
        return None
    have = [row[0] for row in con.sql(f"describe {table}").fetchall()]
    frame: pl.DataFrame = con.sql(f"select {', '.join(c for c in columns if c in have)} from {table}").pl()
    return frame


def busy_spans(frame: pl.DataFrame) -> tuple[np.ndarray, np.ndarray]:
    """Starts and ends as arrays."""
    return frame["start_us"].to_numpy(), frame["end_us"].to_numpy()
