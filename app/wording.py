"""Words and number formats for people: one spelling of a duration, a share, an instant, for command line and pages."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, datetime
from typing import Final

from analytics.account import Window
from analytics.lines import BY_NAME
from analytics.plant import PlantFile

WEEKDAYS: Final = ("Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday")
MONTHS: Final = (
    "January", "February", "March", "April", "May", "June",
    "July", "August", "September", "October", "November", "December",
)  # fmt: skip

SAFETY: Final = (
    "Safety stops are not there to be shortened, and robot speeds not to be raised, from this list: the site's "
    "lock-out procedure and risk assessment decide."
)
ORIGIN: Final = "– the log does not say –"

KPI_BASES: Final[dict[str, str]] = {
    "PBT": "planned busy time",
    "APT": "production time",
    "AUBT": "busy time",
    "AUPT": "processing time",
    "APT + ADET": "production and delay time",
    "PBT − stops": "planned busy time less stops",
    "PRI × PQ": "planned time of parts made",
    "AOET": "order time",
    "PQ": "parts made",
    "IP": "parts inspected",
}
CONVENTION_TEXT: Final[dict[str, str]] = {
    "iso22400": "ISO 22400-2: every stop lowers availability",
    "tpm": "TPM: short stops lower performance",
}


def number(value: float, digits: int = 0) -> str:
    """Write a number with a comma between thousands and a true minus: 27,000.

    >>> number(-1234.56, 1)
    '−1,234.6'
    """
    text = f"{value:,.{digits}f}"
    return text.replace("-", "−") if float(text.replace(",", "")) else text.replace("-", "")


def share(value: float | None, digits: int = 1) -> str:
    """Write a share (0–1) in per cent; a dash where there is none."""
    return "–" if value is None else f"{number(value * 100, digits)} %"


def seconds(us: float, digits: int = 0) -> str:
    """Write microseconds as seconds: 2,310 s."""
    return f"{number(us / 1e6, digits)} s"


def duration(us: int) -> str:
    """Write a length of time as people say it: 4 s, 2 min 05 s, 1 h 03 min."""
    s = us / 1e6
    if s < 60:
        return f"{s:.1f} s" if s < 10 else f"{s:.0f} s"
    whole = round(s)
    if whole < 3600:
        return f"{whole // 60} min {whole % 60:02d} s"
    return f"{whole // 3600} h {whole % 3600 // 60:02d} min"


def day_text(day: date) -> str:
    """Saturday 24 October 2026."""
    return f"{WEEKDAYS[day.weekday()]} {day.day} {MONTHS[day.month - 1]} {day.year}"


def changes_clock(plant: PlantFile, window: Window) -> bool:
    """Tell whether the plant's clock is put forward or back within a window."""
    return plant.local(window.from_us).utcoffset() != plant.local(window.to_us).utcoffset()


def clock(local: datetime, *, offset: bool, precise: bool = True) -> str:
    """Write a local time of day; with its offset where the day has two of the same name."""
    text = f"{local:%H:%M:%S}" if precise else f"{local:%H:%M}"
    return f"{text} {local.isoformat()[-6:]}" if offset else text


def span_text(plant: PlantFile, window: Window) -> str:
    """06:00–14:00 Europe/Berlin; dates and offsets where they are needed to be plain."""
    start, end = plant.local(window.from_us), plant.local(window.to_us)
    odd = changes_clock(plant, window)
    first, last = (clock(t, offset=odd, precise=bool(t.second)) for t in (start, end))
    if end.date() != start.date():
        last = f"{WEEKDAYS[end.weekday()][:3]} {end.day} {MONTHS[end.month - 1][:3]} {last}"
    return f"{first}–{last} {plant.zone}" + (f" ({duration(window.to_us - window.from_us)})" if odd else "")


def plural(unit: str, n: float = 2) -> str:
    """Put a cell's unit in the plural: spoon -> spoons; a word that ends in s stays."""
    return unit if n == 1 or unit.endswith("s") else f"{unit}s"


def place(station: str | None, nest: str | None) -> str:
    """Where something was: a station, a nest of it, or the whole cell."""
    return "whole cell" if station is None else f"{station} nest {nest}" if nest else station


def counted(n: float, unit: str, digits: int = 0) -> str:
    """Write a number of things: 1 spoon, 2,310 spoons.

    >>> counted(1, "stop"), counted(2310, "stop")
    ('1 stop', '2,310 stops')
    """
    words = number(n, digits)
    return f"{words} {plural(unit, 1 if words == '1' else 2)}"


def line_title(line: str) -> str:
    """The title of a line of the account; an unknown name stands for itself."""
    return BY_NAME[line].title if line in BY_NAME else line


def listed(words: Sequence[str], most: int = 8) -> str:
    """Join words; beyond `most` say how many more there are."""
    shown = ", ".join(words[:most])
    return shown + (f" and {len(words) - most} more" if len(words) > most else "")
