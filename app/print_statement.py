"""A statement on a terminal: rich tables, no arithmetic."""

from __future__ import annotations

from collections.abc import Sequence

from rich.console import Group, RenderableType
from rich.table import Table
from rich.text import Text

from analytics.account import Account
from analytics.book import Plant
from analytics.cell import Cell
from app.selection import Chosen
from app.statement import Row, Statement, notes_to
from app.tables import grid
from app.wording import CONVENTION_TEXT, clock, counted, number, seconds, share

WIDTH = 104
FIRST_KPIS = ("oee", "availability", "effectiveness", "quality_ratio")


def print_statement(account: Account, told: Statement, cell: Cell, chosen: Chosen) -> list[RenderableType]:
    """Lay out one account: title, time with its losses, parts, key figures, notes."""
    parts: list[RenderableType] = [_title(account, chosen), _time(told, cell)]
    parts += [_rule(), _parts(told, cell, account), _rule(), _figures(account)]
    notes = notes_to(account, told)
    if notes:
        parts += [_rule(), *(Text(f"· {note}") for note in notes)]
    return parts


def print_overview(plant: Plant, by: str, chosen: Chosen, accounts: Sequence[Account]) -> RenderableType:
    """Lay out several accounts, one row each."""
    rows = []
    for a in accounts:
        figures = a.figures()
        rows.append(
            (
                _key(plant, by, a),
                seconds(a.planned_busy_us),
                seconds(a.us("good")),
                number(a.parts.good),
                number(sum(a.parts.rejects.values())),
                *(share(figures[name]["value"]) for name in FIRST_KPIS),
                share(a.known_share),
            )
        )
    titles = [accounts[0].figures()[name]["title"] for name in FIRST_KPIS]
    columns = (by, "planned", "good", "good parts", "rejects", *titles, "known")
    table = grid(columns, rows, right=tuple(range(1, len(columns))))
    table.columns[0].no_wrap = True
    table.title = f"Cell {accounts[0].cell} · {chosen.title}\n{CONVENTION_TEXT[accounts[0].convention]}"
    table.title_justify, table.title_style = "left", "bold"
    return table


def _rule() -> RenderableType:
    return Text("─" * WIDTH, style="dim", overflow="crop", no_wrap=True)


def _key(plant: Plant, by: str, account: Account) -> str:
    if by == "station":
        return account.station or account.cell
    if by == "product":
        return account.product or ""
    if by == "hour":
        start = plant.file.local(account.window.from_us)
        return clock(start, offset=True, precise=False)
    return account.window.key


def _title(account: Account, chosen: Chosen) -> RenderableType:
    who = f"Cell {account.cell}" + (f", station {account.station}" if account.station else "")
    who += f", {account.product} only" if account.product else ""
    line = Table.grid(expand=True)
    line.width = WIDTH
    line.add_column()
    line.add_column(justify="right", no_wrap=True)
    line.add_row(Text(f"{who} · {chosen.title}", style="bold"), Text(f"known {share(account.known_share)}"))
    return line


def _time(told: Statement, cell: Cell) -> RenderableType:
    table = Table.grid(padding=(0, 2))
    table.width = WIDTH
    for justify in ("left", "left", "left", "right", "right", "right", "right"):
        table.add_column(justify=justify, no_wrap=justify == "right")
    unit = cell.unit
    if told.outside:
        table.add_row("", "calendar", "", number(told.calendar_s) + " s")
        for words, s in told.outside:
            table.add_row("–", Text(words), "", number(s) + " s")
    table.add_row(
        "=" if told.outside else "", Text("planned", style="bold"), "", number(told.planned_s) + " s",
        _n(told.planned_parts, told, unit), "100.0 %", style="bold",
    )  # fmt: skip
    for row in told.lost:
        table.add_row(*_cells(row, told, unit))
    table.add_row("", "", "", "─" * 8, "─" * 14)
    good = told.good
    table.add_row(
        "=", Text("good"), "", number(good.s) + " s", _n(good.parts, told, unit), share(good.share), style="bold"
    )
    return table


def _cells(row: Row, told: Statement, unit: str) -> tuple[RenderableType, ...]:
    stops = "" if row.stops_n is None else counted(row.stops_n, "stop")
    return (
        "+" if row.s < 0 else "–",
        Text(row.title),
        Text(row.detail, style="dim"),
        ("< 1" if not row.s else number(abs(row.s))) + " s",
        _n(None if row.parts is None else abs(row.parts), told, unit),
        share(row.share),
        stops,
    )


def _n(parts: float | None, told: Statement, unit: str) -> str:
    return "–" if parts is None else counted(parts, unit, told.digits)


def _parts(told: Statement, cell: Cell, account: Account) -> RenderableType:
    table = Table.grid(padding=(0, 2))
    for justify in ("left", "left", "right"):
        table.add_column(justify=justify)
    unit = cell.unit if account.station is None else "cycle"
    for sign, words, n in told.parts:
        table.add_row(sign, Text(words), counted(n, unit), style="bold" if sign == "=" else "")
    beside = []
    if told.products:
        beside.append(_named(("product", "fed", "good", "rejected"), told.products))
    if told.sets:
        beside.append(_named(("set", "complete", "open", "parts in open ones"), told.sets))
    both = Table.grid(padding=(0, 5))
    both.add_row(table, Group(*beside))
    return both


def _named(columns: Sequence[str], rows: Sequence[tuple[str, int, int, int]]) -> RenderableType:
    told = [(name, *(number(n) for n in counts)) for name, *counts in rows]
    return grid(columns, told, right=(1, 2, 3), whole=(0, 1, 2, 3))


def _figures(account: Account) -> RenderableType:
    rows = []
    for figure in account.figures().values():
        value = figure["value"]
        told = (
            share(value)
            if figure["unit"] == "share"
            else ("–" if value is None else f"{number(value, 1)} {figure['unit']}")
        )
        base = figure["base_value"]
        size = seconds(base) if figure["base_unit"] == "us" else number(base)
        rows.append((figure["title"], told, f"{figure['base']} = {size}", figure["formula"]))
    table = grid(("key figure", "value", "base", "formula"), rows, right=(1,))
    table.title = f"Convention {account.convention} ({CONVENTION_TEXT[account.convention]})"
    table.title_justify, table.title_style = "left", ""
    return table
