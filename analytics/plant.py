"""The plant: plant.toml and its cells -> Plant. The zone, the production day, the shift pattern."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date, datetime, time, timedelta
from pathlib import Path
from typing import Annotated, Literal
from zoneinfo import ZoneInfo, available_timezones

from pydantic import Field, field_validator

from ingest.errors import suggest
from ingest.toml_file import Strict, check_model, read_toml

Day = Literal["mon", "tue", "wed", "thu", "fri", "sat", "sun"]
DAYS: tuple[Day, ...] = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")
Clock = Annotated[time, Field(strict=False)]


class Break(Strict):
    """A break within a shift, local times; `only = "hand_fed"`: unmanned running goes through it."""

    start: Clock
    end: Clock
    only: Literal["hand_fed"] | None = None
    name: str = "break"


class Shift(Strict):
    """A shift of the weekly pattern; it belongs to the production day on which it starts."""

    name: str = Field(min_length=1)
    start: Clock
    end: Clock
    days: tuple[Day, ...] = DAYS
    cells: tuple[str, ...] | None = None
    breaks: tuple[Break, ...] = ()
    unmanned: bool = False
    """Nobody is there: analyses book it apart."""


class ShiftException(Strict):
    """A date on which a shift is off, has other hours, or runs although the pattern does not say so."""

    date: date
    shift: str
    cells: tuple[str, ...] | None = None
    off: bool = False
    start: Clock | None = None
    end: Clock | None = None
    breaks: tuple[Break, ...] | None = None


class PlannedStop(Strict):
    """A stop known beforehand, local times of the plant."""

    cell: str
    station: str | None = None
    start: datetime
    end: datetime
    cause: str = "planned stop"


class Privacy(Strict):
    """What is kept of the people in the logs."""

    operators: Literal["pseudonym", "drop", "plain"] = "pseudonym"


class PlantFile(Strict):
    """plant.toml."""

    name: str = Field(min_length=1)
    zone: str
    day_start: Clock = time(0, 0)
    cells: tuple[str, ...] = Field(min_length=1)
    privacy: Privacy = Privacy()
    shifts: tuple[Shift, ...] = Field(min_length=1)
    exceptions: tuple[ShiftException, ...] = ()
    planned_stops: tuple[PlannedStop, ...] = ()

    @field_validator("zone")
    @classmethod
    def _zone_exists(cls, zone: str) -> str:
        if zone not in available_timezones():
            near = suggest(zone, available_timezones()) or 'write an IANA name such as "Europe/Berlin"'
            raise ValueError(f"this time zone is not known; do: {near}")
        return zone

    @property
    def tz(self) -> ZoneInfo:
        """The plant's zone."""
        return ZoneInfo(self.zone)

    def day_bounds(self, day: date) -> tuple[int, int]:
        """Return start and end of a production day in UTC microseconds; 23, 24 or 25 h long."""
        return self.instant(day, self.day_start), self.instant(day + timedelta(days=1), self.day_start)

    def instant(self, day: date, clock: time) -> int:
        """Return the UTC microseconds of a local wall time; a time that does not exist is moved on by the gap."""
        return to_us(datetime.combine(day, clock, tzinfo=self.tz))

    def local(self, us: int) -> datetime:
        """Return the plant's wall time of an instant."""
        return from_us(us).astimezone(self.tz)

    def full_hours(self, start_us: int, end_us: int) -> list[int]:
        """Return the full hours of the plant's clock strictly between two instants.

        Every zone's offset is a multiple of a quarter hour: stepping by those finds them at clock changes too.
        """
        quarter = 900_000_000
        steps = range((start_us // quarter + 1) * quarter, end_us, quarter)
        return [us for us in steps if self.local(us).minute == 0]

    def production_day(self, us: int) -> date:
        """Return the production day that an instant belongs to."""
        day = self.local(us).date()
        return day if self.day_bounds(day)[0] <= us else day - timedelta(days=1)


EPOCH = datetime(1970, 1, 1, tzinfo=ZoneInfo("UTC"))


def to_us(instant: datetime) -> int:
    """Return UTC microseconds since 1970 of an aware datetime, exactly."""
    delta = instant.astimezone(ZoneInfo("UTC")) - EPOCH
    return (delta.days * 86_400 + delta.seconds) * 1_000_000 + delta.microseconds


def from_us(us: int) -> datetime:
    """Return the UTC datetime of microseconds since 1970, exactly."""
    return EPOCH + timedelta(microseconds=us)


def read_plant_file(folder: Path) -> PlantFile:
    """Read and validate plant.toml.

    Raises ConfigError with every problem found, InputError when there is no such file.
    """
    file = read_toml(folder / "plant.toml", "plant.toml")
    plant = check_model(file, PlantFile, file.data)
    for loc, message, found, allowed, fix in _contradictions(plant) if plant else ():
        file.problem(loc, message, found=found, allowed=allowed, fix=fix)
    file.raise_problems()
    assert plant is not None
    return plant


Finding = tuple[tuple[str | int, ...], str, str | None, str | None, str | None]
_WEEK = 7 * 24 * 60


def _minutes(clock: time) -> float:
    return clock.hour * 60 + clock.minute + clock.second / 60


def _contradictions(plant: PlantFile) -> Iterator[Finding]:
    shifts = [s.name for s in plant.shifts]
    for i, shift in enumerate(plant.shifts):
        for name in shift.cells or ():
            if name not in plant.cells:
                yield _unknown(("shifts", i, "cells"), "this cell is not in the plant", name, plant.cells)
        length = (_minutes(shift.end) - _minutes(shift.start)) % 1440 or 1440
        for j, pause in enumerate(shift.breaks):
            at = (_minutes(pause.start) - _minutes(shift.start)) % 1440
            long = (_minutes(pause.end) - _minutes(pause.start)) % 1440
            if at + long > length or long == 0:
                yield (
                    ("shifts", i, "breaks", j),
                    f"the break does not lie within shift {shift.name}",
                    f"{pause.start:%H:%M}-{pause.end:%H:%M}",
                    f"between {shift.start:%H:%M} and {shift.end:%H:%M}",
                    "correct the times of the break",
                )
    for cell in plant.cells:
        yield from _overlaps(plant, cell)
        yield from _manned_and_not(plant, cell)
    for i, odd in enumerate(plant.exceptions):
        if odd.shift not in shifts:
            yield _unknown(("exceptions", i, "shift"), "this shift is not in the pattern", odd.shift, shifts)
    for i, stop in enumerate(plant.planned_stops):
        if stop.cell not in plant.cells:
            yield _unknown(("planned_stops", i, "cell"), "this cell is not in the plant", stop.cell, plant.cells)
        if stop.end <= stop.start:
            yield (
                ("planned_stops", i, "end"),
                "the planned stop ends before it begins",
                f"{stop.start:%d %b %H:%M} to {stop.end:%d %b %H:%M}",
                None,
                "correct start or end",
            )


def _unknown(loc: tuple[str | int, ...], message: str, name: str, known: tuple[str, ...] | list[str]) -> Finding:
    return loc, message, name, ", ".join(known), suggest(name, known) or "use one of the allowed names"


def _manned_and_not(plant: PlantFile, cell: str) -> Iterator[Finding]:
    """Shifts of one cell and name of which some are unmanned: the ledger knows a shift by its name."""
    first: dict[str, bool] = {}
    for i, shift in enumerate(plant.shifts):
        if (shift.cells is None or cell in shift.cells) and first.setdefault(shift.name, shift.unmanned) != (
            shift.unmanned
        ):
            yield (
                ("shifts", i, "unmanned"),
                f"shift {shift.name} of cell {cell} is unmanned on some days and not on others",
                str(shift.unmanned).lower(),
                None,
                "give the unmanned one a name of its own",
            )


def _overlaps(plant: PlantFile, cell: str) -> Iterator[Finding]:
    """Shifts of one cell that overlap within the week (wrapped round its end)."""
    spans = [
        (DAYS.index(day) * 1440 + _minutes(s.start), (_minutes(s.end) - _minutes(s.start)) % 1440 or 1440, i, day)
        for i, s in enumerate(plant.shifts)
        if s.cells is None or cell in s.cells
        for day in s.days
    ]
    told: set[tuple[int, int]] = set()
    for a, long_a, i, day in sorted(spans):
        for b, _, j, _ in spans:
            if (i, a) != (j, b) and 0 <= (b - a) % _WEEK < long_a and (min(i, j), max(i, j)) not in told:
                told.add((min(i, j), max(i, j)))
                first, second = plant.shifts[i], plant.shifts[j]
                yield (
                    ("shifts", max(i, j)),
                    f"shifts {first.name} and {second.name} of cell {cell} overlap on {day}",
                    f"{first.start:%H:%M}-{first.end:%H:%M} and {second.start:%H:%M}-{second.end:%H:%M}",
                    "shifts that follow one another",
                    "correct start, end or days of one of them, or give them different `cells`",
                )
