"""What the flow of a cell is told from: frames of the kept facts, read once."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import polars as pl

from analytics.account import Window, _products
from analytics.book import Plant, query
from analytics.cell import PLACES, Cell
from analytics.studies.flow.active import books
from analytics.study import Names, facts_of

HOUR_US = 3_600_000_000


@dataclass(frozen=True)
class Read:
    """Facts of one cell and window, cut at its edges. Names of long tables are Categorical (analytics.study.Names)."""

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
    chain: pl.DataFrame | None  # station, line, start_us, end_us; None: not kept

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
    names = Names()
    with facts_of(plant, cell, window) as con:
        pieces = names.read(con, "flow_pieces", **span, stations=working, products=products)
        inner = [s for s in working if s not in attending]
        visits = names.read(con, "flow_visits", **span, products=products, stations=inner)
        lives = names.read(con, "flow_lives", **span, products=products, lost_us=round(model.lost_after_h * HOUR_US))
        moves = query(con, "flow_moves", **span, products=products)
        plans = con.sql("select lane, start_us, end_us from plan where plan = 'busy'").pl()
        passages = names.read(con, "flow_passages", to_us=window.to_us, attending=attending)
        chain = query(con, "flow_chain", **span).sort("start_us", "end_us", "station")
    if products:
        passages = passages.join(lives, on="part", how="semi")
    plans = clip(plans, window)
    lane = pl.col("lane").cast(names.type_of("lane"))
    return Read(
        model, window, bins(plant, window), pieces.with_columns(book=books(pl.col("line"))),
        plans.filter(pl.col("lane") != "*").with_columns(lane), plans.filter(pl.col("lane") == "*").sort("start_us"),
        visits, passages, lives, moves, chain.filter(pl.col("start_us") < pl.col("end_us")),
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


def busy_spans(frame: pl.DataFrame) -> tuple[np.ndarray, np.ndarray]:
    """Starts and ends as arrays."""
    return frame["start_us"].to_numpy(), frame["end_us"].to_numpy()
