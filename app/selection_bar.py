"""The selection of a page of analyses: cell, period, station, product. It lives in the browser's address."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date
from typing import TypeVar

import streamlit as st
from streamlit.delta_generator import DeltaGenerator

from analytics.book import Plant
from analytics.cell import Cell
from analytics.windows import shifts_of
from app.address import day_label
from app.selection import Chosen, Wish, choose
from app.wording import listed
from ingest.errors import ConfigError, InputError

T = TypeVar("T")
ALL = ""
PERIODS = ("shift", "day", "week", "period")
TITLES = {"shift": "a shift", "day": "a production day", "week": "a week", "period": "from … to …"}
KEYS = ("shift", "day", "week", "from", "to")


@dataclass(frozen=True)
class Asked:
    """What a page of an analysis is about."""

    cell: str
    chosen: Chosen
    station: str | None
    product: str | None


def go(**address: str | None) -> None:
    """Put a selection into the address and start the page anew; None takes a key out."""
    for key, value in address.items():
        if value is None:
            st.query_params.pop(key, None)
        else:
            st.query_params[key] = value
    st.rerun()


def ask(plant: Plant) -> Asked | None:
    """Draw the bar and return what it says; None where the cell has no events yet, which it tells.

    Whatever the address asks for and is not to be had becomes a message and a default.
    """
    address = st.query_params
    cells = list(plant.file.cells)
    filled = [c for c in cells if plant.days(c)]
    name = _known(address.get("cell"), cells, (filled or cells)[0], "cell")
    columns = st.columns([2.2, 1.8, 2.2, 1.8, 1.8, 1.8])
    titles = named(plant)
    picked = columns[0].selectbox("Cell", cells, index=cells.index(name), format_func=titles.__getitem__)
    if picked != name:
        go(cell=picked, station=None, product=None, **dict.fromkeys(KEYS))
    if not plant.days(name):
        st.info(f"The store holds nothing of cell {name} yet. Load logs first:  taktbook ingest")
        return None
    chosen = _chosen(plant, name)
    _period(plant, name, chosen, columns[1:4])
    cell = plant.cell(name)
    station = _one(columns[4], "Station", "station", [s.name for s in cell.stations])
    product = _one(columns[5], "Product", "product", _products(cell))
    if address.get("cell") != name:
        address["cell"] = name
    return Asked(name, chosen, station, product)


def named(plant: Plant) -> dict[str, str]:
    """How each cell is offered for choice: name and title; a cell whose file is broken stands there by its name."""
    said = {}
    for cell in plant.file.cells:
        try:
            title = plant.cell(cell).title
        except ConfigError:
            title = "its file is broken"
        said[cell] = f"{cell} · {title}" if title else cell
    return said


def _known(asked: str | None, known: Sequence[str], default: str, what: str) -> str:
    if asked is None or asked in known:
        return asked or default
    st.info(f"The address asks for {what} “{asked}”, which is not here ({listed(known)}); this is {default}.")
    return default


def _chosen(plant: Plant, cell: str) -> Chosen:
    told = {key: st.query_params.get(key) for key in KEYS}
    try:
        return choose(plant, cell, Wish(told["shift"], told["day"], told["week"], told["from"], told["to"]))
    except InputError as err:
        st.info("The address asks for a period that cannot be shown; this is the last shift.")
        st.code(str(err), language=None, wrap_lines=True)
        return choose(plant, cell, Wish())


def _period(plant: Plant, cell: str, chosen: Chosen, columns: Sequence[DeltaGenerator]) -> None:
    kind = columns[0].selectbox("Period", PERIODS, index=PERIODS.index(chosen.kind), format_func=TITLES.__getitem__)
    days = plant.days(cell)
    first = plant.file.production_day(chosen.window.from_us)
    if kind != chosen.kind:
        _go_to(plant, kind, first if first in days else days[-1], cell)
    if kind == "shift":
        day = _pick(columns[1], "Production day", days, first, day_label)
        shifts = [w.key for w in shifts_of(plant, cell, day)]
        if not shifts:
            _go_to(plant, "day", day, cell)
        shift = _pick(
            columns[2], "Shift", shifts, chosen.window.key if chosen.window.key in shifts else shifts[-1], str
        )
        if (day, shift) != (first, chosen.window.key):
            _set(day=day.isoformat(), shift=shift)
    elif kind == "day":
        day = _pick(columns[1], "Production day", days, first, day_label)
        if day != first:
            _set(day=day.isoformat())
    elif kind == "week":
        weeks = list(dict.fromkeys(week_of(day) for day in days))
        week = _pick(columns[1], "Week", weeks, week_of(first), str)
        if week != week_of(first):
            _set(week=week)
    else:
        ends = [plant.file.local(us) for us in (chosen.window.from_us, chosen.window.to_us)]
        from_ = columns[1].text_input("From", ends[0].isoformat(timespec="minutes"))
        to = columns[2].text_input("To", ends[1].isoformat(timespec="minutes"))
        if [from_, to] != [e.isoformat(timespec="minutes") for e in ends]:
            _set(**{"from": from_, "to": to})


def _go_to(plant: Plant, kind: str, day: date, cell: str) -> None:
    """Another kind of period around a day; a free one begins as all that there is."""
    if kind == "shift":
        shifts = shifts_of(plant, cell, day)
        _set(day=day.isoformat(), shift=shifts[-1].key) if shifts else _set()
    elif kind == "day":
        _set(day=day.isoformat())
    elif kind == "week":
        _set(week=week_of(day))
    else:
        days = plant.days(cell)
        ends = plant.file.day_bounds(days[0])[0], plant.file.day_bounds(days[-1])[1]
        _set(
            **dict(
                zip(("from", "to"), (plant.file.local(us).isoformat(timespec="minutes") for us in ends), strict=True)
            )
        )


def _set(**period: str) -> None:
    go(**{key: period.get(key) for key in KEYS})


def week_of(day: date) -> str:
    """The ISO week of a production day: 2026-W43."""
    year, week, _ = day.isocalendar()
    return f"{year}-W{week:02}"


def _pick(column: DeltaGenerator, title: str, known: Sequence[T], at: T, say: Callable[[T], str]) -> T:
    options = list(known) if at in known else [*known, at]
    return column.selectbox(title, options, index=options.index(at), format_func=say)


def _one(column: DeltaGenerator, title: str, key: str, known: Sequence[str]) -> str | None:
    now = _known(st.query_params.get(key), known, ALL, key)
    options = [ALL, *known]
    picked = column.selectbox(title, options, index=options.index(now), format_func=lambda n: n or "all")
    if picked != now:
        go(**{key: picked or None})
    return picked or None


def _products(cell: Cell) -> list[str]:
    return [p.name for p in cell.products] + [s.name for s in cell.sets]
