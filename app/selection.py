"""Which span of time a person means: options and addresses -> windows, with the words for them."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import date, timedelta
from typing import Literal

from analytics.account import Window
from analytics.book import Plant
from analytics.windows import day_window, last_shift, parse_instant, shift_window, shifts_of, span_window, week_window
from app.wording import day_text, span_text
from ingest.errors import InputError

Kind = Literal["shift", "day", "week", "period"]


@dataclass(frozen=True, slots=True)
class Chosen:
    """A window and how it is called: title is "Saturday 24 October 2026 · early shift 06:00–14:00 Europe/Berlin"."""

    window: Window
    kind: Kind
    title: str
    day: date | None = None


@dataclass(frozen=True, slots=True)
class Wish:
    """What the options say, as text; None where an option was not given."""

    shift: str | None = None
    day: str | None = None
    week: str | None = None
    from_: str | None = None
    to: str | None = None
    last_shift: bool = False


def choose(plant: Plant, cell: str, wish: Wish) -> Chosen:
    """Find the window that options ask for; without any: the last shift.

    Raises InputError when options contradict each other or name something that does not exist.
    """
    _refuse_contradictions(wish)
    if wish.week is not None:
        window = week_window(plant, wish.week)
        return Chosen(window, "week", f"week {wish.week} · {_days_text(plant, window)}")
    if wish.from_ is not None and wish.to is not None:
        window = span_window(parse_instant(plant, wish.from_, "--from"), parse_instant(plant, wish.to, "--to"))
        return Chosen(
            window, "period", f"{day_text(plant.file.local(window.from_us).date())} · {span_text(plant.file, window)}"
        )
    if wish.shift is not None:
        day = parse_day(wish.day) if wish.day is not None else _newest_day_of(plant, cell, wish.shift)
        return of_shift(plant, day, shift_window(plant, cell, day, wish.shift))
    if wish.day is not None:
        day = parse_day(wish.day)
        window = day_window(plant, day)
        return Chosen(window, "day", f"{day_text(day)} · production day {span_text(plant.file, window)}", day)
    return of_shift(plant, *last_shift(plant, cell))


def of_shift(plant: Plant, day: date, window: Window) -> Chosen:
    """Name a shift that is known."""
    return Chosen(window, "shift", f"{day_text(day)} · {window.key} shift {span_text(plant.file, window)}", day)


def parse_day(text: str, where: str = "--day") -> date:
    """Read a date. Raises InputError when the text is none."""
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise InputError(
            "this is not a date", where=where, found=text, allowed="a production day such as 2026-10-24"
        ) from None


def cut_by_shift(plant: Plant, cell: str, window: Window) -> list[Window]:
    """Cut a window into the shifts that it touches; keys are "2026-10-24 early"."""
    first, last = plant.file.production_day(window.from_us), plant.file.production_day(window.to_us - 1)
    cut = []
    for n in range((last - first).days + 1):
        day = first + timedelta(days=n)
        for shift in shifts_of(plant, cell, day):
            start, end = max(shift.from_us, window.from_us), min(shift.to_us, window.to_us)
            if start < end:
                cut.append(replace(shift, key=f"{day} {shift.key}", from_us=start, to_us=end))
    if not cut:
        raise InputError(
            f"cell {cell} has no shift in this period", where="--by shift", fix="choose another period, or --by hour"
        )
    return cut


def _refuse_contradictions(wish: Wish) -> None:
    given: dict[str, Callable[[Wish], bool]] = {
        "--last-shift": lambda w: w.last_shift,
        "--week": lambda w: w.week is not None,
        "--from … --to …": lambda w: w.from_ is not None or w.to is not None,
        "--day / --shift": lambda w: w.day is not None or w.shift is not None,
    }
    named = [name for name, test in given.items() if test(wish)]
    if len(named) > 1:
        raise InputError("these options name different periods", found=" and ".join(named), fix="give one of them")
    if (wish.from_ is None) != (wish.to is None):
        missing = "--to" if wish.to is None else "--from"
        raise InputError(
            "a period needs a start and an end",
            where=missing,
            fix="give both, e.g.  --from 2026-10-24T06:00 --to 2026-10-24T07:30",
        )


def _newest_day_of(plant: Plant, cell: str, shift: str) -> date:
    days = plant.days(cell)
    if not days:
        return last_shift(plant, cell)[0]  # raises with what to do
    for day in reversed(days):
        if shift in [w.key for w in shifts_of(plant, cell, day)]:
            return day
    return days[-1]


def _days_text(plant: Plant, window: Window) -> str:
    first, last = plant.file.local(window.from_us).date(), plant.file.production_day(window.to_us - 1)
    return f"{day_text(first)} to {day_text(last)} {plant.file.zone}"
