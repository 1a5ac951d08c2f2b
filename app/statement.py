"""The account as a statement: what was planned, what it was lost to, what came out.

Rounded so that it adds up visibly.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import polars as pl

from analytics.account import Account
from analytics.cell import Cell
from app.wording import SAFETY, line_title, number

GOOD: Final = "good"
SAFETY_LINE: Final = "safety_stop"
"""Stands below the losses: it is not a thing to shorten."""
WHOLE_PARTS_FROM: Final = 1000
"""From this many planned parts on, a tenth of a part is no news."""


@dataclass(frozen=True, slots=True)
class Row:
    """One line: `s` and `parts` are what is printed, rounded so that the column adds up; credits are negative."""

    line: str
    title: str
    detail: str  # worst station and cause
    us: int
    s: int
    parts: float | None
    share: float
    stops_n: int | None  # None: the line is not made of stops


@dataclass(frozen=True, slots=True)
class Statement:
    """planned_s = sum of lost.s + good.s, and the same for parts, digit by digit as printed."""

    calendar_s: int
    outside: list[tuple[str, int]]  # why calendar time is not planned busy time, seconds
    planned_us: int
    planned_s: int
    planned_parts: float | None
    digits: int  # of parts
    lost: list[Row]
    good: Row
    parts: list[tuple[str, str, int]]  # sign, words, parts
    parts_left: int  # what does not add up in the parts account: 0, or it is broken
    products: list[tuple[str, int, int, int]]  # name, fed, good, rejected
    sets: list[tuple[str, int, int, int]]  # name, complete, begun and not complete, parts in those


def statement(account: Account, cell: Cell, stops: pl.DataFrame | None = None) -> Statement:
    """Lay an account out as a statement.

    Takes    the account, the cell it is of (for the words of causes), and the stops of its window, to be counted.
    """
    totals = account.totals().filter(pl.col("us") != 0)
    names = totals["line"].to_list()
    us = totals["us"].to_list()
    planned_s = round(account.planned_busy_us / 1e6)
    seconds = apportion([n / 1e6 for n in us], planned_s)
    whole = [float(p) for p in totals["parts"].to_list()] if _parts_known(account) else None
    digits = 0 if whole is None or sum(whole) >= WHOLE_PARTS_FROM else 1
    scale = 10**digits
    planned_parts = round(sum(whole) * scale) / scale if whole is not None else None
    parts = (
        [p / scale for p in apportion([p * scale for p in whole], round(sum(whole) * scale))]
        if whole is not None
        else None
    )
    counts: dict[str, int] = _count(stops) if stops is not None else {}
    rows = {
        name: Row(
            name,
            line_title(name),
            _worst(account.lines.filter(pl.col("line") == name), cell),
            us[n],
            seconds[n],
            None if parts is None else parts[n],
            us[n] / account.planned_busy_us if account.planned_busy_us else 0.0,
            counts.get(name),
        )
        for n, name in enumerate(names)
    }
    good = rows.pop(GOOD, Row(GOOD, line_title(GOOD), "", 0, 0, 0.0 if parts is not None else None, 0.0, None))
    outside = [
        (_outside_words(plan, cause), value)
        for plan, cause, value in account.plan.group_by("plan", "cause")
        .agg(pl.col("us").sum())
        .sort("plan", "cause", nulls_last=True)
        .rows()
        if value
    ]
    calendar_s = planned_s + sum(round(value / 1e6) for _, value in outside)
    return Statement(
        calendar_s=calendar_s,
        outside=[(words, round(value / 1e6)) for words, value in outside],
        planned_us=account.planned_busy_us,
        planned_s=planned_s,
        planned_parts=planned_parts,
        digits=digits,
        lost=sorted(rows.values(), key=lambda r: (r.line == SAFETY_LINE, -r.us)),
        good=good,
        parts=_parts_rows(account, cell),
        parts_left=account.parts.difference,
        products=_products(account),
        sets=[(s["set"], s["complete"], s["open"], s["open_members"]) for s in account.parts.sets],
    )


def notes_to(account: Account, told: Statement) -> list[str]:
    """What a reader must know besides: the account's own notes, credits, parts made in breaks, caution on safety."""
    notes = list(account.notes)
    if account.difference_us:
        notes.append(
            f"THE ACCOUNT DOES NOT CLOSE: {number(account.difference_us)} µs are on no line. Please report this."
        )
    if told.parts_left and account.station is None:
        notes.append(
            f"THE PARTS ACCOUNT DOES NOT CLOSE: {number(told.parts_left)} parts are nowhere. Please report this."
        )
    made = (
        account.parts.good - round(told.good.parts or 0) if account.station is None and account.product is None else 0
    )
    if made > 0:
        notes.append(
            f"{number(made)} of the good parts came out in planned stops: "
            "they count as parts, their time is not planned busy time."
        )
    if any(row.s < 0 for row in told.lost):
        notes.append(
            "Lines with + are credits: work went faster than planned, "
            "or station times along the way undercut the planned takt."
        )
    if any(row.line == SAFETY_LINE for row in told.lost):
        notes.append(SAFETY)
    return notes


def apportion(values: Sequence[float], total: int) -> list[int]:
    """Round values to whole numbers that add up to `total`: those with the largest remainders are rounded up.

    >>> apportion([1.4, 1.4, 0.2], 3)
    [2, 1, 0]
    """
    down = [math.floor(v) for v in values]
    missing = total - sum(down)
    order = sorted(range(len(values)), key=lambda n: (down[n] - values[n], n))
    for n in range(missing):
        down[order[n % len(order)]] += 1
    return down


def _count(stops: pl.DataFrame) -> dict[str, int]:
    """Stops per line; one that holds several stations from the same moment for the same cause is one stop."""
    return dict(stops.unique(["line", "cause", "start_us"]).group_by("line").len().rows())


def cause_words(cause: str | None, cell: Cell) -> str:
    """What a cause or code means, as the cell's catalogue says; the code itself when it does not."""
    if cause is None:
        return ""
    return next((c.text or c.code for c in cell.causes if c.code == cause), cause)


def _worst(lines: pl.DataFrame, cell: Cell) -> str:
    """Station and cause that a line's time went to most; how many others there are."""
    named = lines.filter(pl.col("us") != 0).sort(pl.col("us").abs(), descending=True)
    if named.is_empty():
        return ""
    first = named.row(0, named=True)
    words = ", ".join(w for w in (first["station"], cause_words(first["cause"], cell)) if w)
    more = named.height - 1
    return words + (f" (+{more}\u00a0more)" if words and more else "")


def _parts_known(account: Account) -> bool:
    timed = account.lines.filter(pl.col("us") != 0)
    return not timed.is_empty() and timed["parts"].null_count() == 0


def _outside_words(plan: str, cause: str | None) -> str:
    return cause or {"not_planned": "not planned", "planned_stop": "planned stop"}.get(plan, plan)


def _parts_rows(account: Account, cell: Cell) -> list[tuple[str, str, int]]:
    own = account.parts
    if account.station is not None:
        rows = [
            ("", "cycles ended", own.fed),
            *(("–", f"rejected: {cause_words(cause, cell)}", n) for cause, n in own.rejects.items()),
            ("–", "passed after rework", own.rework),
            ("–", "taken out", own.taken_out),
            ("–", "still in the cell", own.closing_stock),
        ]
        return [r for r in rows if r[2] or not r[0]] + [("=", "good", own.good)]
    rows = [
        ("", "fed", own.fed),
        ("+", "in the cell at the start", own.opening_stock),
        ("+", "in rework at the start", own.opening_rework),
        *(("–", f"rejected: {cause_words(cause, cell)}", n) for cause, n in own.rejects.items()),
        ("–", "in rework", own.rework),
        ("–", "taken out", own.taken_out),
        ("–", "in the cell at the end", own.closing_stock),
        ("–", "lost: no log names them any more", max(own.unaccounted, 0)),
        ("+", "found: no log saw them fed", max(-own.unaccounted, 0)),
    ]
    return [r for r in rows if r[2] or not r[0]] + [("=", "good", own.good)]


def _products(account: Account) -> list[tuple[str, int, int, int]]:
    every = [(name or "not named", p.fed, p.good, sum(p.rejects.values())) for name, p in account.parts.products]
    return [row for row in every if any(row[1:])]
