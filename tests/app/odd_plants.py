"""Plants on which analyses could stumble, each a few lines of log over a small cell. No test lives here."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import polars as pl

from analytics.book import Plant
from tests.logs import DAY, book, cell, log

ONE_STATION = {"outlet": "press", "stations": [{"name": "press", "kind": "machine"}]}


@dataclass(frozen=True)
class Odd:
    """What is odd, as lines for tests.logs.log, the cell's changes, and the period to ask for."""

    lines: str
    cell: dict[str, Any] = field(default_factory=dict)
    period: tuple[str, ...] = ("--day", "2026-10-20", "--shift", "early")
    day: str = DAY

    def events(self) -> pl.DataFrame:
        return log(self.lines, day=self.day)

    def plant(self, folder: Any, change: Callable[[pl.DataFrame], pl.DataFrame] = lambda e: e) -> Plant:
        return book(folder, change(self.events()), None, cell(**self.cell))


def clock(s: float) -> str:
    """Seconds after 06:00:00 as a clock."""
    whole = int(s)
    return f"{6 + whole // 3600:02d}:{whole // 60 % 60:02d}:{whole % 60:02d}.{round(s % 1 * 1000):03d}"


def line(parts: int, *, product: str = "dish", alarms: bool = True, numbers: bool = True, pack: bool = True) -> str:
    """A run of the line: a part every ten seconds, now and then an alarm with a longer cycle, a reject, a value."""
    said, at = [], 0.0
    for n in range(parts):
        part = f"P{n}" if numbers else ""
        longer = 90.0 if alarms and n % 25 == 10 else 0.0
        said.append((at, f"press starts {part} product={product}"))
        if longer:
            said += [(at + 4, "press alarm A1"), (at + 4 + longer, "press clear A1")]
        ended = at + 8 + n % 3 * 0.5 + longer
        said.append((ended, f"press ends {part} product={product}"))
        if numbers:
            said.append((ended, f"press measures {part} product={product} characteristic=width value={5 + n % 7 / 10}"))
        if pack:
            said += [
                (ended + 1, f"pack starts {part} product={product}"),
                (ended + 7, f"pack ends {part} product={product}"),
            ]
        if numbers:
            last = ("pack", ended + 7) if pack else ("press", ended)
            verdict = "reject" if n % 20 == 7 else "good"
            said += [(last[1], f"{last[0]} {verdict} {part} cause=scratch"), (last[1] + 0.2, f"{last[0]} out {part}")]
        at += 10 + longer
    return "\n".join(f"{clock(us)} {words}" for us, words in sorted(said, key=lambda s: s[0]))


REGULAR = line(120)
UNPLANNED = [{"name": "dish", "takt_s": 10, "cycle_s": {"press": 10}}]  # nothing planned for pack
OF_SETS = {
    "products": [
        {"name": name, "set": "box", "takt_s": 10, "cycle_s": {"press": 10, "pack": 8}} for name in ("dish", "lid")
    ],
    "sets": [{"name": "box", "members": {"dish": 1, "lid": 1}}],
}
STATES = """
    06:00:00 press state running
    06:00:00 pack state running
    06:20:00 press state stopped
    06:21:00 pack state starved
    06:30:00 press state running
    06:31:00 pack state running
    07:00:00 pack state blocked
"""

ODD: dict[str, Odd] = {
    "regular": Odd(REGULAR),
    "one station": Odd(line(60, pack=False), ONE_STATION),
    "one part": Odd(line(1)),
    "one event": Odd("06:00:00 press starts P1 product=dish"),
    "one alarm and nothing else": Odd("06:00:00 press alarm A1"),
    "no alarms": Odd(line(60, alarms=False)),
    "no part numbers": Odd(line(60, numbers=False)),
    "no planned cycle at a station": Odd(line(60), {"products": UNPLANNED}),
    "products unknown to the model": Odd(line(60, product="nobody")),
    "codes unknown to the model": Odd(line(60).replace("A1", "Z9").replace("scratch", "dent")),
    "states only": Odd(STATES),
    "contradictory states": Odd(
        f"{line(20)}\n06:01:00 press state running\n06:01:00 press state stopped\n06:01:00 press state starved"
    ),
    "overlapping cycles on one nest": Odd(
        f"{line(20)}\n06:00:21 press starts X1\n06:00:22 press starts X2\n06:00:26 press ends X1"
    ),
    "parts that go backwards": Odd(
        f"{line(20)}\n06:01:20 pack in P1\n06:01:21 press in P1\n06:01:22 press starts P1\n06:01:25 press ends P1"
    ),
    "ends before starts": Odd("06:00:05 press ends P1\n06:00:05 press starts P1\n06:00:01 pack ends P1"),
    "everything at one instant": Odd(
        "\n".join(f"06:30:00 press starts P{n}\n06:30:00 press ends P{n}\n06:30:00 press good P{n}" for n in range(5))
    ),
    "sets without a member of one kind": Odd(line(30), OF_SETS),
    "sets whose places are not logged": Odd(f"{line(10)}\n{line(10, product='lid').replace(' P', ' L')}", OF_SETS),
    "an alarm that never ends": Odd(f"{line(20)}\n06:10:00 press alarm E1"),
    "all parts rejected": Odd(line(30).replace(" good ", " reject ")),
    "a day of 25 hours": Odd(
        f"{line(30)}\n+1d 02:30:00 press starts N1 product=dish\n+1d 04:00:00 press ends N1",
        period=("--day", "2026-10-24"),
        day="2026-10-24",
    ),
    "a period with nothing planned": Odd(REGULAR, period=("--from", "2026-10-20T20:00", "--to", "2026-10-20T21:00")),
    "a period of a second": Odd(REGULAR, period=("--from", "2026-10-20T06:05:00", "--to", "2026-10-20T06:05:01")),
    "a day without events": Odd(REGULAR, period=("--day", "2026-10-22")),
    "a window in the future": Odd(REGULAR, period=("--from", "2031-01-01T06:00", "--to", "2031-01-01T07:00")),
}
NO_EVENTS = ("a day without events", "a window in the future")
