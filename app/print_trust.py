"""How far an account can be trusted, on a terminal: rich tables, no arithmetic beyond shares."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import polars as pl
from rich.console import RenderableType
from rich.text import Text

from analytics.account import Window
from analytics.book import Plant
from analytics.cell import Cell
from analytics.trust.report import Trust
from app.selection import Chosen
from app.tables import grid
from app.wording import ORIGIN, changes_clock, clock, counted, duration, number, plural, seconds, share

MOST_REASONS = 5
MOST_FAULTS = 12
WORTH_US = 500_000
"""What hides less than this is not worth a line."""

SHOWN_FIRST = ("gap", "hole", "unpaired", "unknown", "restart")
PARTS = {"vanished": "vanished, last seen at", "appeared": "appeared at", "nameless": "left without a number at"}


def print_trust(plant: Plant, cell: Cell, chosen: Chosen, told: Trust) -> list[RenderableType]:
    """Lay out one window: the known share, what would raise it, each source, faults, parts."""
    shown: list[RenderableType] = [_first_line(cell.name, chosen, told), *_raise(plant, cell, told)]
    shown += [Text("\nThe sources", style="bold"), sources_table([("", told)], of_several=False)]
    shown += [*_hints(cell, told), *_faults(plant, told), *_parts(plant, told)]
    if told.timeless.height:
        lines = int(told.timeless["lines"].sum())
        files = ", ".join(told.timeless["file"].head(3))
        shown.append(Text(f"\n{counted(lines, 'line')} of files without any time belong to no hour: {files}"))
    return shown


def print_trust_by(
    plant: Plant, by: str, cell: Cell, chosen: Chosen, whole: Trust, each: Sequence[Trust]
) -> list[RenderableType]:
    """Lay out several windows: the known share of all, then each source in each of them."""
    named = [(_key(plant, by, told.window, changes_clock(plant.file, whole.window)), told) for told in each]
    return [
        _first_line(cell.name, chosen, whole), *_raise(plant, cell, whole),
        Text(f"\nThe sources by {by}", style="bold"), sources_table(named, of_several=True, by=by),
    ]  # fmt: skip


def sources_table(told: Sequence[tuple[str, Trust]], *, of_several: bool, by: str = "") -> RenderableType:
    """One row per window and source."""
    rows = []
    for key, one in told:
        for n, r in enumerate(one.sources.iter_rows(named=True)):
            head = (key if n == 0 else "", share(one.known_share, 2) if n == 0 else "") if of_several else ()
            rows.append((*head, *_source(r), *(() if of_several else (r["clock"],))))
    head = (by, "known") if of_several else ()
    columns = (*head, "source", "lines", "quarantined", "gaps", "holes", "repeats", "unpaired", "unknown")
    columns = columns if of_several else (*columns, "clock")
    first = len(head) + 1
    return grid(columns, rows, right=tuple(range(first, first + 7)), whole=tuple(range(len(columns))))


def _source(r: dict[str, Any]) -> tuple[str, ...]:
    bad = number(r["quarantined"])
    if r["quarantined"]:
        bad += f" = {share(r['quarantined'] / r['lines'], 3)}"
    gaps = "no limit" if r["silence_s"] is None else number(r["gaps"])
    if r["gaps"]:
        gaps += f" = {duration(r['gap_us'])}"
    holes = number(r["holes"]) + (f" = {counted(r['missing'], 'number')}" if r["holes"] else "")
    counted_ = (number(r[name]) for name in ("repeated_lines", "unpaired", "unknown"))
    return r["source"], number(r["lines"]), bad, gaps, holes, *counted_


def _hints(cell: Cell, told: Trust) -> list[RenderableType]:
    sources = told.sources
    mute = sources.filter(pl.col("silence_s").is_null() & (pl.col("lines") > 0))["source"].to_list()
    hints = []
    if mute:
        file = f"cells/{cell.name}.toml"
        hints.append(f"The silence of {', '.join(mute)} goes unseen: no silence_s under [[sources]] in {file}.")
    if sources["quarantined"].sum() or sources["unknown"].sum():
        hints.append("What is quarantined or unknown, and what to do about it:  taktbook check")
    return [Text(f"· {hint}") for hint in hints]


def _first_line(cell: str, chosen: Chosen, told: Trust) -> Text:
    line = Text(f"{share(told.known_share, 2)} known", style="bold")
    line.append(f" of planned busy time · Cell {cell} · {chosen.title}")
    if told.known_share is None:
        return Text(f"Nothing was planned · Cell {cell} · {chosen.title}", style="bold")
    return line


def _raise(plant: Plant, cell: Cell, told: Trust) -> list[RenderableType]:
    hidden = told.hidden.filter(pl.col("us") >= WORTH_US)
    if hidden.is_empty():
        return [Text("Nothing hides more than a moment of it.")] if told.planned_busy_us else []
    shown = hidden.head(MOST_REASONS)
    dated = told.window.to_us - told.window.from_us > 26 * 3_600_000_000
    odd = changes_clock(plant.file, told.window)
    rows = [
        (
            f"+{number(r['share'] * 100, 2)}",
            seconds(r["us"]),
            "–" if r["parts"] is None else number(r["parts"]),
            _when(plant, r, dated=dated, odd=odd),
            f"{r['reason']}{_waiting(r)}\n→ {r['do']}",
        )
        for r in shown.iter_rows(named=True)
    ]
    columns = ("points", "hidden", plural(cell.unit), "when", "why, and what to do")
    left = hidden.height - shown.height
    more = f"  ({left} more: --format json)" if left else ""
    return [
        Text(f"\nWhat would raise it most{more}", style="bold"),
        grid(columns, rows, right=(0, 1, 2), whole=(0, 1, 2)),
    ]


def _waiting(r: dict[str, Any]) -> str:
    return f"; the cell waited for {', '.join(r['stations'])}" if r["stations"] else ""


def _when(plant: Plant, r: dict[str, Any], *, dated: bool, odd: bool) -> str:
    start, end = (plant.file.local(r[name]) for name in ("from_us", "to_us"))
    text = f"{start:%a %d} " if dated else ""
    text += f"{clock(start, offset=odd)}–{clock(end, offset=odd)}"
    return text + (f"\nand {r['stretches'] - 1} more" if r["stretches"] > 1 else "")


def _key(plant: Plant, by: str, window: Window, odd: bool) -> str:
    if by == "day":
        return window.key
    return clock(plant.file.local(window.from_us), offset=odd, precise=False)


def _faults(plant: Plant, told: Trust) -> list[RenderableType]:
    """The worst of what was found, with the log lines, in order of time."""
    order = {what: n for n, what in enumerate(SHOWN_FIRST)}
    weight = pl.when(pl.col("what") == "gap").then(pl.col("until_us") - pl.col("us")).otherwise("n")
    missing = (pl.col("what") != "hole") | (pl.col("n") > pl.col("also_n"))
    found = (
        told.faults.filter(pl.col("what").is_in(SHOWN_FIRST) & missing)
        .with_columns(weight=weight, rank=pl.col("what").replace_strict(order, return_dtype=pl.Int64))
        .sort("rank", "weight", "us", descending=[False, True, False])
    )
    if found.is_empty():
        return []
    dated = told.window.to_us - told.window.from_us > 26 * 3_600_000_000
    odd = changes_clock(plant.file, told.window)
    rows = []
    begun = pl.when(pl.col("what").is_in(["gap", "unpaired"])).then("since_us")
    shown = found.head(MOST_FAULTS).with_columns(at_us=pl.coalesce(begun, "us")).sort("at_us", "source")
    for r in shown.iter_rows(named=True):
        at = plant.file.local(r["at_us"])
        when = (f"{at:%a %d} " if dated else "") + clock(at, offset=odd)
        rows.append((when, r["source"] or "", fault_text(r), log_place(r)))
    more = f" ({found.height - MOST_FAULTS} more: --format json)" if found.height > MOST_FAULTS else ""
    title = Text(f"\nFound in the logs{more}", style="bold")
    return [title, grid(("from", "source", "what", "log lines"), rows, whole=(0, 1))]


def fault_text(r: dict[str, Any]) -> str:
    """One fault in words."""
    where = f" at {r['station']}" + (f" nest {r['nest']}" if r["nest"] else "") if r["station"] else ""
    if r["what"] == "gap":
        beyond = duration(r["until_us"] - r["us"])
        return f"silent for {duration(r['until_us'] - r['since_us'])}, {beyond} of it beyond its limit"
    if r["what"] == "hole":
        there = r["also_n"] or 0
        return f"{counted(r['n'] - there, 'number')} missing" + (f", {there} more stand there unread" if there else "")
    if r["what"] == "restart":
        if r["name"] == "not one series":
            return f"numbers are not one series: {r['detail']}"
        return f"numbers begin anew ({r['name']}, {r['detail']}): no loss by itself"
    if r["what"] == "unknown":
        return f"unknown {r['name']} {r['detail']}{where}, {counted(r['n'], 'event')}"
    return f"{r['name']}{where}" + (f": {r['detail']}" if r["detail"] else "")


def log_place(r: dict[str, Any]) -> str:
    """Where a fault stands in the logs."""
    file, line, end_file, end_line = (r[k] for k in ("log_file", "log_line", "log_end_file", "log_end_line"))
    if file is None:
        return ORIGIN if end_file is None else f"{end_file}:{end_line}"
    if end_file is None or (end_file, end_line) == (file, line):
        return f"{file}:{line}"
    return f"{file}:{line}–{end_line}" if end_file == file else f"{file}:{line} – {end_file}:{end_line}"


def _parts(plant: Plant, told: Trust) -> list[RenderableType]:
    if told.parts.is_empty():
        return [Text("\nNo part vanished, none appeared behind the entry.")]
    rows = [
        (
            number(r["n"]),
            f"{PARTS[r['what']]} {r['station'] or ORIGIN}",
            " ".join(filter(None, (r["product"], r["part"]))),
            f"{plant.file.local(r['us']):%a %d %H:%M:%S}",
            f"{r['log_file']}:{r['log_line']}" if r["log_file"] else ORIGIN,
        )
        for r in told.parts.iter_rows(named=True)
    ]
    return [Text("\nParts that vanished or appeared", style="bold"),
            grid(("parts", "what", "the first of them", "at", "log line"), rows, right=(0,), whole=(0, 3))]  # fmt: skip
