"""The window of the sample, local time, shifts and breaks. Times inside are ms from the window's start."""

from __future__ import annotations

from bisect import bisect_right
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

ZONE = ZoneInfo("Europe/Berlin")
FIRST_DAY = date(2026, 10, 23)
EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
MINUTE = 60_000
HOUR = 60 * MINUTE


@dataclass(frozen=True, slots=True)
class Break:
    """A break of a shift; `hand_fed`: only while a hand-fed product runs."""

    start: int
    end: int
    hand_fed: bool


@dataclass(frozen=True, slots=True)
class Shift:
    """One shift: half-open [start, end), with its breaks."""

    name: str
    day: date
    start: int
    end: int
    breaks: tuple[Break, ...]


@dataclass(frozen=True)
class Window:
    """`days` production days from FIRST_DAY 06:00 local."""

    days: int
    base: int = field(init=False)  # epoch ms of the start
    end: int = field(init=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "base", epoch_ms(FIRST_DAY, "06:00"))
        object.__setattr__(self, "end", epoch_ms(FIRST_DAY + timedelta(self.days), "06:00") - self.base)

    def at(self, day: int, clock: str) -> int:
        """Return ms from the window's start of a wall clock time on production day `day` (before 06:00: next date).

        A time that exists twice is its first occurrence.
        """
        late = 0 if clock >= "06:00" else 1
        return epoch_ms(FIRST_DAY + timedelta(day + late), clock) - self.base

    def local(self, t: int) -> datetime:
        """Return the local time of t (ms from the window's start)."""
        return (EPOCH + timedelta(milliseconds=self.base + t)).astimezone(ZONE)


def epoch_ms(day: date, clock: str) -> int:
    """Return the epoch ms of a local wall clock time."""
    local = datetime.combine(day, time.fromisoformat(clock), tzinfo=ZONE)
    return int(local.timestamp()) * 1000


Rests = tuple[tuple[str, str, bool], ...]

# name, start, end, works on Sundays, breaks (start, end, hand-fed only); as plant.toml says it
SHIFTS: dict[str, tuple[tuple[str, str, str, bool, Rests], ...]] = {
    "spoon": (
        ("early", "06:00", "14:00", False, (("09:00", "09:15", False), ("11:30", "12:00", True))),
        ("late", "14:00", "22:00", True, (("17:00", "17:10", False), ("18:30", "19:00", True))),
        ("night", "22:00", "06:00", True, ()),
    ),
    "timer": (
        ("morning", "06:00", "14:00", False, (("09:00", "09:15", False), ("12:00", "12:30", False))),
        ("evening", "14:00", "22:00", True, (("17:00", "17:15", False), ("19:30", "20:00", False))),
    ),
}
# On a Sunday these shifts have other hours.
SUNDAY: tuple[str, str, Rests] = ("15:00", "22:00", (("18:30", "19:00", False),))
SUNDAY_SHIFTS = ("late", "evening")


def shifts(window: Window, cell_kind: str) -> list[Shift]:
    """Return the shifts of a kind of cell within the window, in order."""
    found = []
    for day in range(window.days):
        date_of_day = FIRST_DAY + timedelta(day)
        sunday = date_of_day.weekday() == 6
        for name, start, end, on_sundays, breaks in SHIFTS[cell_kind]:
            if sunday and not on_sundays:
                continue
            if sunday and name in SUNDAY_SHIFTS:
                start, end, breaks = SUNDAY
            rests = tuple(Break(window.at(day, a), window.at(day, b), hand) for a, b, hand in breaks)
            last = day + 1 if end <= start else day
            found.append(Shift(name, date_of_day, window.at(day, start), window.at(last, end), rests))
    return found


class Frozen:
    """Times in which nothing moves: half-open, sorted, disjoint."""

    def __init__(self, spans: list[tuple[int, int]]) -> None:
        merged: list[tuple[int, int]] = []
        for a, b in sorted(spans):
            if merged and a <= merged[-1][1]:
                merged[-1] = (merged[-1][0], max(b, merged[-1][1]))
            else:
                merged.append((a, b))
        self.spans = merged
        self._starts = [a for a, _ in merged]

    def until(self, t: int) -> int:
        """Return the end of the frozen time that holds at t, or t."""
        i = bisect_right(self._starts, t) - 1
        return self.spans[i][1] if i >= 0 and self.spans[i][1] > t else t

    def next_start(self, t: int) -> int | None:
        """Return when the next frozen time after t begins."""
        i = bisect_right(self._starts, t)
        return self._starts[i] if i < len(self._starts) else None

    def advance(self, t: int, ms: int) -> int:
        """Return when work of `ms` that begins at t is done."""
        t = self.until(t)
        i = bisect_right(self._starts, t)
        while i < len(self.spans) and self.spans[i][0] < t + ms:
            ms -= self.spans[i][0] - t
            t = self.spans[i][1]
            i += 1
        return t + ms
