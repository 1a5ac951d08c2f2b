"""The selection of a page lives in the browser's address, so that a view can be sent to a colleague."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date, timedelta

from analytics.account import Window
from analytics.book import Plant
from analytics.kpis import CONVENTIONS, Convention
from analytics.lines import BY_NAME
from analytics.windows import hours_of, last_shift, shifts_of
from app.wording import day_text, listed


@dataclass(frozen=True)
class Pick:
    """What a page shows. `shift` is None on a day without shifts; `messages` tell what was not to be had."""

    cell: str
    days: list[date]
    day: date
    shifts: list[Window]
    shift: Window | None
    convention: Convention
    line: str | None = None
    stop: tuple[str, int] | None = None  # lane and start of the stop that is open
    hour: Window | None = None
    messages: list[str] = field(default_factory=list)


def read_address(plant: Plant, address: Mapping[str, str]) -> Pick:
    """Find what an address asks for; anything unknown in it becomes a message and a default.

    Raises InputError when there is nothing to show yet: no events of the cell.
    """
    messages: list[str] = []
    cells = list(plant.file.cells)
    filled = [cell for cell in cells if plant.days(cell)]
    cell = _one_of(address.get("cell"), cells, (filled or cells)[0], "cell", messages)
    newest_day, newest = last_shift(plant, cell)  # raises for a cell without events
    days = _days_with_shifts(plant, cell)
    named = {d.isoformat(): d for d in days}
    default = newest_day if newest_day in days else days[-1]
    day = named[_one_of(address.get("day"), list(named), default.isoformat(), "day", messages)]
    shifts = shifts_of(plant, cell, day)
    shift = None
    if shifts:
        by_name = {s.key: s for s in shifts}
        usual = newest.key if day == newest_day and newest.key in by_name else shifts[-1 if day < newest_day else 0].key
        shift = by_name[_one_of(address.get("shift"), list(by_name), usual, "shift", messages)]
    convention = _one_of(address.get("convention"), list(CONVENTIONS), CONVENTIONS[0], "convention", messages)
    line = address.get("line")
    if line is not None and line not in BY_NAME:
        messages.append(f"The account has no line “{line}”.")
        line = None
    return Pick(
        cell=cell,
        days=days,
        day=day,
        shifts=shifts,
        shift=shift,
        convention="tpm" if convention == "tpm" else "iso22400",
        line=line,
        stop=_stop(address.get("stop")),
        hour=_hour(plant, shift, address.get("hour"), messages),
        messages=messages,
    )


def _days_with_shifts(plant: Plant, cell: str) -> list[date]:
    """The days of a cell's events and those between them: a day without any log can be looked at as well."""
    days = plant.days(cell)
    span = (days[-1] - days[0]).days
    return [days[0] + timedelta(days=n) for n in range(span + 1)] if span <= 400 else days


def _one_of(asked: str | None, known: list[str], default: str, what: str, messages: list[str]) -> str:
    if asked is None or asked in known:
        return asked or default
    choices = f"{known[0]} to {known[-1]}" if what == "day" else listed(known)
    messages.append(f"The address asks for {what} “{asked}”, which is not here ({choices}); this is {what} {default}.")
    return default


def _stop(text: str | None) -> tuple[str, int] | None:
    lane, _, start = (text or "").rpartition("@")
    return (lane, int(start)) if lane and start.isdigit() else None


def _hour(plant: Plant, shift: Window | None, asked: str | None, messages: list[str]) -> Window | None:
    if shift is None or asked is None:
        return None
    hours = {w.key: w for w in hours_of(plant, shift)}
    if asked not in hours:
        messages.append(f"The address asks for hour “{asked}”, which is not in this shift; this is the whole shift.")
    return hours.get(asked)


def day_label(day: date) -> str:
    """How a day is offered for choice: Sat 24 October 2026."""
    weekday, rest = day_text(day).split(" ", 1)
    return f"{weekday[:3]} {rest}"
