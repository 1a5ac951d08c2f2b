"""The statement on a page: each line opens into its causes and stops, each stop into its log lines."""

from __future__ import annotations

from collections.abc import Sequence
from html import escape
from typing import Final

import polars as pl
import streamlit as st

from analytics.account import Account, Window
from analytics.book import Plant
from analytics.cell import Cell
from analytics.lines import BY_NAME
from app import data
from app.statement import SAFETY_LINE, Row, Statement, cause_words
from app.theme import look
from app.wording import ORIGIN, SAFETY, changes_clock, clock, counted, number, place, plural, share
from ingest.errors import InputError

COLUMNS: Final = [0.28, 0.33, 0.12, 0.15, 0.09, 0.11]
AROUND_LINES: Final = 12
AROUND_US: Final = 60_000_000
STOPS_SHOWN: Final = 500
NO_PIECES: Final = ("plan_gap", "fast_cycle")
"""Lines that are the difference of plans, not a stretch of somebody's time."""
HIGHLIGHT_MOST: Final = 400
"""Raw lines shown of one stop; a long stop is shown at its beginning and end."""


def draw(plant: Plant, version: str, cell: Cell, account: Account, told: Statement, stops: pl.DataFrame) -> None:
    """Draw the statement; which line and stop are open stands in the address."""
    unit = cell.unit
    with st.container(key="statement", gap=None):
        if told.outside:
            _plain_row("", "calendar", f"{number(told.calendar_s)} s")
            for words, s in told.outside:
                _plain_row("–", words, f"{number(s)} s")
        _plain_row(
            "=" if told.outside else "",
            "planned",
            f"{number(told.planned_s)} s",
            _parts(told, told.planned_parts, unit),
            "100.0 %",
        )
        for row in told.lost:
            _open_row(row, told, unit)
            if st.query_params.get("line") == row.line:
                with st.container(border=True):
                    _inside(plant, version, cell, account, row, stops)
        st.html('<div class="tb-rule"></div>')
        good = told.good
        _plain_row("=", "good", f"{number(good.s)} s", _parts(told, good.parts, unit), share(good.share))


def parts_table(told: Statement, unit: str) -> None:
    """Draw the parts account."""
    rows = "".join(
        f'<tr class="{"tb-strong" if sign == "=" else ""}"><td>{sign}</td><td>{escape(words)}</td>'
        f'<td class="tb-n">{number(n)}</td></tr>'
        for sign, words, n in told.parts
    )
    head = f'<tr><th></th><th></th><th class="tb-n">{escape(unit)}</th></tr>'
    st.html(f'<table class="tb-table">{head}{rows}</table>')


def named_table(columns: Sequence[str], rows: Sequence[tuple[str, int, int, int]]) -> None:
    """Draw counts per name: of products or sets."""
    body = "".join(
        f"<tr><td>{escape(name)}</td>" + "".join(f'<td class="tb-n">{number(n)}</td>' for n in counts) + "</tr>"
        for name, *counts in rows
    )
    first, *others = columns
    head = f"<tr><th>{first}</th>" + "".join(f'<th class="tb-n">{word}</th>' for word in others) + "</tr>"
    st.html(f'<table class="tb-table">{head}{body}</table>')


def _parts(told: Statement, parts: float | None, unit: str) -> str:
    return "–" if parts is None else counted(abs(parts), unit, told.digits)


def _plain_row(sign: str, words: str, seconds: str, parts: str = "", part_share: str = "") -> None:
    strong = "tb-strong" if sign == "=" or words == "planned" else ""
    cells = st.columns(COLUMNS, vertical_alignment="center")
    cells[0].html(f'<span class="tb-sign">{sign}</span><span class="{strong}">{escape(words)}</span>')
    for cell, text in zip(cells[2:5], (seconds, parts, part_share), strict=True):
        cell.html(f'<div class="tb-n {strong}">{escape(text)}</div>')


def _open_row(row: Row, told: Statement, unit: str) -> None:
    is_open = st.query_params.get("line") == row.line
    cells = st.columns(COLUMNS, vertical_alignment="center")
    icon = f":material/{'expand_more' if is_open else 'chevron_right'}:"
    label = f"{'+' if row.s < 0 else '–'}\u2002{row.title}"
    if cells[0].button(label, key=f"open-{row.line}", type="tertiary", icon=icon, icon_position="right"):
        st.query_params.pop("stop", None)
        if is_open:
            st.query_params.pop("line", None)
        else:
            st.query_params["line"] = row.line
        st.rerun()
    own = look(row.line)
    style = f"background:{own.color}" if own.filled else f"border:2px solid {own.color}"
    cells[1].html(f'<span class="tb-chip" style="{style}"></span><span class="tb-detail">{escape(row.detail)}</span>')
    seconds = f"{number(abs(row.s))} s" if row.s else "< 1 s"
    stops = "" if row.stops_n is None else counted(row.stops_n, "stop")
    for cell, text in zip(cells[2:], (seconds, _parts(told, row.parts, unit), share(row.share), stops), strict=True):
        cell.html(f'<div class="tb-n">{escape(text)}</div>')


def _inside(plant: Plant, version: str, cell: Cell, account: Account, row: Row, stops: pl.DataFrame) -> None:
    """What is in a line: its meaning, who it was charged to and why, its stops."""
    if row.line in BY_NAME:
        st.caption(BY_NAME[row.line].meaning)
    if row.line == SAFETY_LINE:
        st.info(SAFETY)
    unit = plural(cell.unit)
    lines = account.lines.filter((pl.col("line") == row.line) & (pl.col("us") != 0)).sort(
        pl.col("us").abs(), descending=True
    )
    body = "".join(
        f"<tr><td>{escape(r['station'] or '–')}</td><td>{escape(cause_words(r['cause'], cell) or '–')}</td>"
        f'<td class="tb-n">{number(abs(r["us"]) / 1e6, 1)} s</td>'
        f'<td class="tb-n">{"–" if r["parts"] is None else number(abs(r["parts"]), 1)} {escape(unit)}</td></tr>'
        for r in lines.head(20).iter_rows(named=True)
    )
    more = f'<div class="tb-quiet">and {lines.height - 20} smaller ones</div>' if lines.height > 20 else ""
    st.html(f'<table class="tb-table"><tr><th>charged to</th><th>cause</th><th></th><th></th></tr>{body}</table>{more}')
    own = stops.filter(pl.col("line") == row.line)
    if own.height:
        told = "The stops as the stations had them, one row for each place; a buffer may have absorbed some of it."
        _evidence_list(plant, version, cell, account.window, own, told)
        return
    pieces = data.pieces_of(str(plant.folder), version, cell.name, account.window, row.line)
    if pieces.height and row.line not in NO_PIECES:
        told = f"The longest of {number(pieces.height)} pieces of time on this line."
        _evidence_list(plant, version, cell, account.window, pieces, told)


def _evidence_list(plant: Plant, version: str, cell: Cell, window: Window, own: pl.DataFrame, told: str) -> None:
    """Offer stops, or pieces of time, to be opened down to their log lines."""
    st.html(f'<div class="tb-quiet">{told} Choose a row to read its log lines.</div>')
    shown = own.sort("us", descending=True).head(STOPS_SHOWN).sort("start_us")
    odd = changes_clock(plant.file, window)
    frame = pl.DataFrame(
        {
            "from": [clock(plant.file.local(us), offset=odd) for us in shown["start_us"]],
            "seconds": shown["us"] / 1e6,
            "station": [place(*where) for where in shown.select("station", "nest").rows()],
            "cause": [cause_words(text or cause, cell) for text, cause in shown.select("text", "cause").rows()],
            "said": shown["said"].fill_null(""),
            "log": [_place(r) for r in shown.iter_rows(named=True)],
        }
    )
    if (frame["said"] == "").all():
        frame = frame.drop("said")
    picked = st.dataframe(
        frame,
        hide_index=True,
        on_select="rerun",
        selection_mode="single-row",
        key=f"stops-{shown['line'][0]}-{window.from_us}",
        height=min(38 + 35 * frame.height, 320),
        column_config={
            "seconds": st.column_config.NumberColumn(format="%.1f"),
            "said": st.column_config.TextColumn("a person said"),
        },
    )
    rows = picked["selection"]["rows"] if picked else []
    if rows:
        stop = shown.row(rows[0], named=True)
        asked = f"{stop['lane']}@{stop['start_us']}"
        if st.query_params.get("stop") != asked:
            st.query_params["stop"] = asked
    lane, _, start = st.query_params.get("stop", "").rpartition("@")
    found = shown.filter((pl.col("lane") == lane) & (pl.col("start_us").cast(pl.String) == start))
    if found.height:
        _log_lines(plant, version, cell, found.row(0, named=True))


def _place(row: dict[str, object]) -> str:
    return ORIGIN if row["log_file"] is None else f"{row['log_file']}:{row['log_line']}"


def _log_lines(plant: Plant, version: str, cell: Cell, stop: dict[str, object]) -> None:
    """Raw lines around the beginning and the end of a stop, and what all sources said."""
    folder = str(plant.folder)
    file, line = stop["log_file"] or stop["log_end_file"], stop["log_line"] or stop["log_end_line"]
    if not isinstance(file, str) or not isinstance(line, int):
        st.html(f'<div class="tb-quiet">{ORIGIN}</div>')
        return
    end_file, end_line = stop["log_end_file"], stop["log_end_line"]
    hits = {line}
    one_block = end_file == file and isinstance(end_line, int) and 0 <= end_line - line <= HIGHLIGHT_MOST
    if one_block and isinstance(end_line, int):
        hits.add(end_line)
        around = AROUND_LINES + (end_line - line + 1) // 2
        _log_block(folder, version, file, (line + end_line) // 2, around, hits)
    else:
        _log_block(folder, version, file, line, AROUND_LINES, hits)
        if isinstance(end_file, str) and isinstance(end_line, int) and (end_file, end_line) != (file, line):
            _log_block(folder, version, end_file, end_line, AROUND_LINES, {end_line})
    with st.expander("What all sources said around it, on one clock"):
        start, end = stop["start_us"], stop["end_us"]
        assert isinstance(start, int)
        assert isinstance(end, int)
        _said(plant, version, cell, Window("around", start - AROUND_US, min(end, start + 10 * AROUND_US) + AROUND_US))


def _log_block(folder: str, version: str, file: str, line: int, around: int, hits: set[int]) -> None:
    try:
        rows = data.lines_of(folder, version, file, line, around)
    except InputError as err:  # the log was moved away; the account stands without it
        st.code(str(err), language=None, wrap_lines=True)
        return
    text = "".join(
        f'<span class="{"hit" if n in hits else ""}"><span class="no">{n:>7}</span>  {escape(words or "")}</span>\n'
        for n, words in rows.select("line", "text").rows()
    )
    st.html(f'<div class="tb-quiet">{escape(file)}</div><div class="tb-log">{text}</div>')


def _said(plant: Plant, version: str, cell: Cell, window: Window) -> None:
    events = data.evidence_of(str(plant.folder), version, cell.name, window)
    odd = changes_clock(plant.file, window)
    local = [clock(plant.file.local(us), offset=odd) for us in events["ts"]]
    told = events.select(
        "source", "station", "nest", "kind", "state", "step", "part", "result", "cause", "code", "text", "file", "line"
    )
    st.dataframe(told.insert_column(0, pl.Series("time", local)), hide_index=True, height=320)
