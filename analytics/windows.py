"""Windows of time that people name: a shift, a production day, a week, an hour, from … to."""

from __future__ import annotations

import re
from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

from analytics.account import Window
from analytics.book import Plant
from analytics.plan import ShiftSpan, shift_spans
from analytics.plant import to_us
from ingest.errors import InputError, suggest

__all__ = [
    "Window",
    "day_window",
    "hours_of",
    "last_shift",
    "parse_instant",
    "shift_window",
    "shifts_of",
    "span_window",
    "week_window",
]


def shifts_of(plant: Plant, cell: str, day: date) -> list[Window]:
    """Return the shifts of a cell that start on a production day, in order; the key is the shift's name."""
    return [_window(s) for s in shift_spans(plant.file, cell, day, day)]


def shift_window(plant: Plant, cell: str, day: date, shift: str) -> Window:
    """Return one shift of a day. Raises InputError when the cell has no such shift on that day."""
    own = shifts_of(plant, cell, day)
    for window in own:
        if window.key == shift:
            return window
    names = [w.key for w in own]
    raise InputError(
        f"cell {cell} has no such shift on {day:%a %d %b %Y}",
        where="--shift",
        found=shift,
        allowed=", ".join(names) or "no shift runs on this day",
        fix=suggest(shift, names) or "choose one of them, or another day",
    )


def day_window(plant: Plant, day: date) -> Window:
    """Return a production day, 23 to 25 h long; the key is its date."""
    start_us, end_us = plant.file.day_bounds(day)
    return Window(day.isoformat(), start_us, end_us)


def week_window(plant: Plant, week: str) -> Window:
    """Return an ISO 8601 week of production days, e.g. "2026-W43": Monday to Sunday.

    Raises InputError when the text is not such a week.
    """
    match = re.fullmatch(r"(\d{4})-?W(\d{2})", week)
    try:
        if not match:
            raise ValueError
        monday = date.fromisocalendar(int(match[1]), int(match[2]), 1)
    except ValueError:
        raise InputError(
            "this is not a week", where="--week", found=week, allowed="an ISO 8601 week such as 2026-W43"
        ) from None
    return Window(week, plant.file.day_bounds(monday)[0], plant.file.day_bounds(monday + timedelta(days=6))[1])


def span_window(from_us: int, to_us: int) -> Window:
    """Return any span. Raises InputError when it is empty or backwards."""
    if from_us >= to_us:
        raise InputError(
            "the period is empty: it ends before it begins", where="--from, --to", fix="swap or correct them"
        )
    return Window("period", from_us, to_us)


def hours_of(plant: Plant, window: Window) -> list[Window]:
    """Cut a window at the full hours of the plant's clock; keys are local start times, with offset."""
    zone = plant.file.tz
    cuts = [window.from_us, *plant.file.full_hours(window.from_us, window.to_us)]
    ends = [*cuts[1:], window.to_us]
    return [Window(_local(a, zone).isoformat(timespec="minutes"), a, b) for a, b in zip(cuts, ends, strict=True)]


def last_shift(plant: Plant, cell: str) -> tuple[date, Window]:
    """Return the last shift that the cell's events cover to its end, or the last one that has begun.

    Raises InputError when the store holds nothing of the cell.
    """
    days = plant.days(cell)
    if not days:
        raise InputError(f"the store holds nothing of cell {cell} yet", fix="load logs first:  taktbook ingest")
    plant.cell(cell)
    newest = plant.store.events(cell, days[-1:])["ts_source"].max()
    assert isinstance(newest, datetime)
    spans = shift_spans(plant.file, cell, days[-1] - timedelta(days=7), days[-1])
    begun = [s for s in spans if s.start_us < to_us(newest)]
    done = [s for s in begun if s.end_us <= to_us(newest) + 10 * 60 * 1_000_000 and s.day in days]
    if not begun:
        raise InputError(
            f"cell {cell} has no shift in the last week of its events", fix="check [[shifts]] in plant.toml"
        )
    span = (done or begun)[-1]
    return span.day, _window(span)


def parse_instant(plant: Plant, text: str, where: str) -> int:
    """Read a time that a person wrote: ISO 8601, in the plant's zone unless it has an offset.

    Raises InputError for text that is no time and for local times that do not exist or exist twice.
    """
    try:
        instant = datetime.fromisoformat(text)
    except ValueError:
        raise InputError(
            "this is not a time",
            where=where,
            found=text,
            allowed='ISO 8601, e.g. "2026-10-24T06:00" or "2026-10-24T06:00+02:00"',
        ) from None
    if instant.tzinfo is not None:
        return to_us(instant)
    zone = plant.file.tz
    first, second = (instant.replace(tzinfo=zone, fold=fold) for fold in (0, 1))
    if first.utcoffset() != second.utcoffset():
        there = first.astimezone(UTC).astimezone(zone).replace(tzinfo=None) == instant
        choices = " or ".join(t.isoformat() for t in (first, second))
        raise InputError(
            f"this local time exists twice in {zone.key}" if there else f"this local time does not exist in {zone.key}",
            where=where,
            found=text,
            fix=f"write it with its offset: {choices}" if there else "write a time before or after the clock change",
        )
    return to_us(first)


def _window(span: ShiftSpan) -> Window:
    return Window(span.name, span.start_us, span.end_us)


def _local(us: int, zone: ZoneInfo) -> datetime:
    return (datetime(1970, 1, 1, tzinfo=UTC) + timedelta(microseconds=us)).astimezone(zone)
