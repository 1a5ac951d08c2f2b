"""Cached loaders for the pages.

Keyed on the store's generation and the plant's files, so that a new load shows at once.
"""

from __future__ import annotations

import hashlib
from datetime import date
from pathlib import Path
from typing import Final

import polars as pl
import streamlit as st

from analytics.account import Account, Window, account
from analytics.book import Plant, open_plant
from analytics.evidence import evidence
from analytics.kpis import Convention
from analytics.output import output
from analytics.overview import overview
from analytics.stops import stops
from analytics.study import Study
from app import lanes
from app.commands.overview import windows
from app.commands.studies import STUDIES
from app.selection import Wish
from ingest.excerpt import excerpt

KEEP: Final = 64
"""Results kept per loader; the oldest go first."""


def version_of(plant: Plant) -> str:
    """Return what every figure depends on: the store's generation and the text of plant.toml and the cell files."""
    files = [plant.folder / "plant.toml", *sorted((plant.folder / "cells").glob("*.toml"))]
    texts = hashlib.sha256(b"\0".join(path.read_bytes() for path in files)).hexdigest()
    return f"{plant.store.generation}-{texts}"


def days_of(plant: Plant, window: Window) -> list[date]:
    """Production days that a window touches."""
    first, last = plant.file.production_day(window.from_us), plant.file.production_day(window.to_us - 1)
    return [date.fromordinal(n) for n in range(first.toordinal(), last.toordinal() + 1)]


@st.cache_data(max_entries=KEEP, show_spinner="closing the account …")
def account_of(
    folder: str, version: str, cell: str, window: Window, convention: Convention, station: str | None = None
) -> Account:
    """The account of a window."""
    return account(open_plant(Path(folder)), cell, window, station=station, convention=convention)[0]


@st.cache_data(max_entries=KEEP, show_spinner=False)
def stops_of(folder: str, version: str, cell: str, window: Window) -> pl.DataFrame:
    """The stops of a window; see analytics.stops."""
    return stops(open_plant(Path(folder)), cell, window)


@st.cache_data(max_entries=KEEP, show_spinner=False)
def output_of(folder: str, version: str, cell: str, window: Window) -> pl.DataFrame:
    """Planned and actual output; see analytics.output."""
    return output(open_plant(Path(folder)), cell, window)


@st.cache_data(max_entries=KEEP, show_spinner=False)
def pauses_of(folder: str, version: str, cell: str, window: Window) -> pl.DataFrame:
    """Planned stops of the cell within a window: start_us, end_us, cause."""
    plant = open_plant(Path(folder))
    plant.build(cell)
    rows = plant.fact(cell, "plan", days_of(plant, window)).filter(
        (pl.col("lane") == "*")
        & (pl.col("plan") != "busy")
        & (pl.col("start_us") < window.to_us)
        & (pl.col("end_us") > window.from_us)
    )
    return rows.select(
        pl.col("start_us").clip(window.from_us, window.to_us),
        pl.col("end_us").clip(window.from_us, window.to_us),
        cause=pl.col("plan_cause").fill_null("not planned"),
    )


@st.cache_data(max_entries=KEEP, show_spinner="reading the stations …")
def lanes_of(folder: str, version: str, cell: str, window: Window) -> tuple[int, pl.DataFrame]:
    """What the stations did: number of pieces, and the rectangles to draw (app.lanes.overview)."""
    plant = open_plant(Path(folder))
    plant.build(cell)
    pieces = lanes.clip(plant.fact(cell, "ledger", days_of(plant, window)), window.from_us, window.to_us)
    return pieces.height, lanes.overview(pieces, window.from_us, window.to_us)


@st.cache_data(max_entries=KEEP, show_spinner=False)
def pieces_of(folder: str, version: str, cell: str, window: Window, line: str) -> pl.DataFrame:
    """The pieces of time that the cell's account has on a line, in the columns that analytics.stops has for stops."""
    plant = open_plant(Path(folder))
    plant.build(cell)
    ledger = plant.fact(cell, "ledger", days_of(plant, window)).filter(
        (pl.col("line") == line) & (pl.col("plan") == "busy") & (pl.col("lane") == "*")
    )
    names = ("start_us", "end_us", "us", "line", "cause", "log_file", "log_line", "log_end_file", "log_end_line")
    pieces = lanes.clip(ledger, window.from_us, window.to_us, cell_lane=True)
    return pieces.select(
        "lane",
        *names,
        station=pl.coalesce("blamed", "station"),
        nest=pl.lit(None, pl.String),
        text="cause",
        said=pl.lit(None, pl.String),
    ).with_columns(us=pl.col("end_us") - pl.col("start_us"))


@st.cache_data(max_entries=KEEP, show_spinner="closing the accounts of all cells …")
def overview_of(folder: str, version: str, wish: Wish) -> pl.DataFrame:
    """All cells side by side; see analytics.overview."""
    plant = open_plant(Path(folder))
    return overview(plant, windows(plant, wish))


@st.cache_data(max_entries=KEEP, show_spinner="analysing …")
def study_of(
    folder: str, version: str, cell: str, window: Window, name: str, station: str | None, product: str | None
) -> Study:
    """One analysis of a window."""
    command = next(s for s in STUDIES if name == s.NAME)
    study: Study = command.load()(open_plant(Path(folder)), cell, window, station=station, product=product)
    return study


@st.cache_data(max_entries=KEEP, show_spinner="reading all sources …")
def evidence_of(folder: str, version: str, cell: str, window: Window) -> pl.DataFrame:
    """What all sources said in a window; see analytics.evidence."""
    return evidence(open_plant(Path(folder)), cell, window)


@st.cache_data(max_entries=KEEP, show_spinner="reading the log …")
def lines_of(folder: str, version: str, file: str, line: int, around: int) -> pl.DataFrame:
    """Raw lines of a log file around a line: line, text."""
    return excerpt(Path(folder), file, line, around)
