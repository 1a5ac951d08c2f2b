"""The shift page: load, choose, draw. It reads from top to bottom like an account statement."""

from __future__ import annotations

import os
from html import escape
from pathlib import Path

import polars as pl
import streamlit as st

from analytics.account import Account
from analytics.book import Plant, open_plant
from analytics.cell import Cell
from analytics.kpis import CONVENTIONS
from analytics.windows import hours_of
from app import charts, data, statement_view
from app.address import Pick, day_label, read_address
from app.selection import of_shift
from app.selection_bar import go, named
from app.statement import notes_to, statement
from app.wording import (
    CONVENTION_TEXT,
    KPI_BASES,
    changes_clock,
    clock,
    number,
    plural,
    seconds,
    share,
    span_text,
)
from ingest.errors import ConfigError, InputError


def page() -> None:
    """Show one shift of one cell."""
    plant = open_plant(Path(os.environ.get("TAKTBOOK_PLANT", ".")))
    if not any(plant.days(cell) for cell in plant.file.cells):
        empty(plant)
        return
    chosen_cell = st.query_params.get("cell")
    if chosen_cell in plant.file.cells and not plant.days(chosen_cell):
        st.info(f"The store holds nothing of cell {chosen_cell} yet; other cells can be chosen.")
        choose_cell(plant, chosen_cell)
        return
    try:
        pick = read_address(plant, st.query_params.to_dict())
    except ConfigError:  # of this cell; the others can be chosen
        cells = list(plant.file.cells)
        choose_cell(plant, chosen_cell if chosen_cell in cells else cells[0])
        raise
    choose(plant, pick)
    for message in pick.messages:
        st.info(message)
    if pick.shift is None:
        st.info(f"Cell {pick.cell} has no shift on {day_label(pick.day)}. Choose another day.")
        return
    version = data.version_of(plant)
    try:
        show(plant, version, pick)
    except InputError as err:
        st.info("There is nothing to close for this shift.")
        st.code(str(err), language=None, wrap_lines=True)


def empty(plant: Plant) -> None:
    """Say what to do with a plant that has no events yet."""
    st.html(f'<p class="tb-title">{escape(plant.file.name)}: nothing is loaded yet</p>')
    st.write("Put log files where the source files in `sources/` expect them, then load them:")
    st.code(f'taktbook ingest --plant "{plant.folder}"', language=None)
    st.write("Then reload this page. `taktbook check` says whether the files of the plant are right.")


def choose_cell(plant: Plant, cell: str) -> None:
    """Choose a cell; goes to the address when it changes."""
    cells = list(plant.file.cells)
    titles = named(plant)
    picked = st.selectbox("Cell", cells, index=cells.index(cell), format_func=titles.__getitem__)
    if picked != cell:
        go(cell=picked, shift=None, line=None, stop=None, hour=None)


def choose(plant: Plant, pick: Pick) -> None:
    """Choose cell, day and shift; every change goes to the address and the page starts anew from there."""
    left, middle, right = st.columns([3, 2.4, 2.4])
    with left:
        choose_cell(plant, pick.cell)
    day = middle.selectbox("Production day", pick.days, index=pick.days.index(pick.day), format_func=day_label)
    if day != pick.day:
        go(
            cell=pick.cell,
            day=day.isoformat(),
            shift=pick.shift.key if pick.shift else None,
            line=pick.line,
            stop=None,
            hour=None,
        )
    if pick.shift is not None:
        names = [w.key for w in pick.shifts]
        spans = {w.key: span_text(plant.file, w).split(f" {plant.file.zone}")[0] for w in pick.shifts}
        shift = right.selectbox(
            "Shift", names, index=names.index(pick.shift.key), format_func=lambda n: f"{n}  {spans[n]}"
        )
        if shift != pick.shift.key:
            go(cell=pick.cell, day=pick.day.isoformat(), shift=shift, line=pick.line, stop=None, hour=None)
        # the address always says what is shown, so that it can be sent to a colleague as it is
        for key, value in (("cell", pick.cell), ("day", pick.day.isoformat()), ("shift", pick.shift.key)):
            if st.query_params.get(key) != value:
                st.query_params[key] = value


def show(plant: Plant, version: str, pick: Pick) -> None:
    """Draw a shift: title, key figures, plan against actual, statement, stations."""
    assert pick.shift is not None
    folder, cell, window = str(plant.folder), plant.cell(pick.cell), pick.shift
    account = data.account_of(folder, version, cell.name, window, pick.convention)
    stops = data.stops_of(folder, version, cell.name, window)
    told = statement(account, cell, stops)
    unit = plural(cell.unit)

    chosen = of_shift(plant, pick.day, window)
    st.html(
        f'<p class="tb-title">Cell {escape(cell.name)} · {escape(chosen.title)}</p>'
        f'<div class="tb-quiet">known {share(account.known_share)} of planned time</div>'
    )
    if not account.planned_busy_us:
        st.info("Nothing was planned for this shift: all of it is a planned stop.")
    if account.difference_us or account.parts.difference:
        missing = f"{account.difference_us} µs, {account.parts.difference} parts"
        st.error(f"The account does not close: {missing}. Please report this.")

    at = charts.clock(plant.file, window)
    st.subheader("Plan and actual", divider=False)
    pauses = data.pauses_of(folder, version, cell.name, window)
    gap = [row.line for row in reversed(told.lost)]
    st.altair_chart(
        charts.plan_and_actual(data.output_of(folder, version, cell.name, window), pauses, at, unit, gap),
        width="stretch",
        theme=None,
    )

    if any(row.s < 0 for row in told.lost):
        st.caption(
            "Credits (lines with + below) are taken off at the bottom: there the gap reaches below the good line."
        )

    st.subheader("Where the planned time went", divider=False)
    statement_view.draw(plant, version, cell, account, told, stops)
    for note in notes_to(account, told):
        st.caption(f"· {note}")
    figures(account, pick)

    st.subheader("Where the parts went", divider=False)
    left, right = st.columns(2)
    with left:
        statement_view.parts_table(told, unit)
    with right:
        if told.products:
            statement_view.named_table(("product", "fed", "good", "rejected"), told.products)
        if told.sets:
            statement_view.named_table(("set", "complete", "open", "parts in open ones"), told.sets)

    stations(plant, version, cell, pick)


def figures(account: Account, pick: Pick) -> None:
    """Draw the key figures in one quiet row; OEE does not depend on the convention, its parts do."""
    cells = []
    for figure in account.figures().values():
        value = figure["value"]
        told = share(value) if figure["unit"] == "share" else ("–" if value is None else f"{number(value)} / h")
        base = seconds(figure["base_value"]) if figure["base_unit"] == "us" else number(figure["base_value"])
        words = KPI_BASES.get(figure["base"], figure["base"])
        cells.append(
            f'<div title="{escape(figure["formula"])}"><small>{escape(figure["title"])}</small><b>{told}</b>'
            f"<small>of {escape(words)}<br>{base}</small></div>"
        )
    st.subheader("Key figures", divider=False)
    names = list(CONVENTIONS)
    picked = st.radio(
        "How losses are split",
        names,
        index=names.index(pick.convention),
        format_func=lambda n: CONVENTION_TEXT[n],
        horizontal=True,
    )
    if picked != pick.convention:
        go(convention=picked)
    st.html(f'<div class="tb-kpis">{"".join(cells[:4])}</div>')
    with st.expander("all key figures"):
        st.html(f'<div class="tb-kpis">{"".join(cells[4:])}</div>')


def stations(plant: Plant, version: str, cell: Cell, pick: Pick) -> None:
    """Draw what each station did, for the whole shift or one hour of it."""
    assert pick.shift is not None
    st.subheader("What the stations did", divider=False)
    hours = hours_of(plant, pick.shift)
    odd = changes_clock(plant.file, pick.shift)  # then two hours may have the same name
    spans = {
        w.key: "–".join(clock(plant.file.local(us), offset=odd, precise=False) for us in (w.from_us, w.to_us))
        for w in hours
    }
    choices = ["", *spans]
    key = pick.hour.key if pick.hour else ""
    hour = st.selectbox(
        "Look closer at",
        choices,
        index=choices.index(key),
        format_func=lambda n: spans[n] if n else "the whole shift",
        width=320,
    )
    if hour != key:
        go(hour=hour or None)
    window = pick.hour or pick.shift
    pieces, rectangles = data.lanes_of(str(plant.folder), version, cell.name, window)
    causes = {c.code: c.text or c.code for c in cell.causes}
    st.altair_chart(
        charts.lane_chart(rectangles, cell.lanes()["lane"].to_list(), charts.clock(plant.file, window), causes),
        width="stretch", theme=None,
    )  # fmt: skip
    merged = int(rectangles.filter(pl.col("pieces") > 1)["pieces"].sum())
    words = f"{number(pieces)} intervals"
    if rectangles.filter(pl.col("share") < 1).height:
        words += (
            f"; {number(merged)} short ones of the rhythm of work are drawn together as what they mostly are, "
            "every stop as it was. Choose an hour to see them one by one"
        )
    st.caption(words + ". Wheel: zoom; drag: move; double click: back.")
    st.html(charts.legend(rectangles))


page()
