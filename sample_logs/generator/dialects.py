"""How each source writes: time stamp, running number, heartbeat; the body of a line comes from the cell model."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import timedelta

from sample_logs.generator import scenario as sc
from sample_logs.generator.calendar import EPOCH, ZONE, Window

ALIVE_MS = 50_000  # a heartbeat after so long a silence


@dataclass(frozen=True, slots=True)
class Dialect:
    """One source's way of writing."""

    source: str
    suffix: str
    alive: str  # body of a heartbeat
    first_no: int
    offset_ms: int  # the clock is off by this much (constant; plus a jitter of 0 to 5 ms)
    header: str = ""
    restarts: bool = False  # the number starts again at a boot


DIALECTS = {
    "robots": Dialect("robots", "log", "-- alive", 183_000, 3),
    "press": Dialect("press", "kv", "ev=alive", 48_000, 8, restarts=True),
    "cellplc": Dialect(
        "cellplc", "csv", "CELL;ALIVE;;;;;", 93_000, 0, header="time;no;unit;event;code;part;product;value;text"
    ),
    "gauge": Dialect("gauge", "jsonl", '"msg":"alive"', 800, 11),
    "line": Dialect("line", "tsv", "LINE\tALIVE\t\t\t\t", 400, 4),
    "tester": Dialect("tester", "log", "alive=1", 8_000, 9),
}


@dataclass(frozen=True, slots=True)
class Line:
    """One line of a log: its local date (for the turn-over of files), text and number of events."""

    date: str
    text: str
    events: int
    alive: bool


class LocalClock:
    """Local time as text, quickly: the parts that change once a minute are kept."""

    def __init__(self) -> None:
        self._minute = -1
        self._parts = ("", "", "", "", "")

    def parts(self, ms: int) -> tuple[str, str, str, str, str, str]:
        """Return (dd.mm.yyyy, yyyy-mm-dd, HH:MM, offset, yyyy-mm-ddTHH:MM in UTC, SS.mmm) of an epoch time."""
        minute, rest = divmod(ms, 60_000)
        if minute != self._minute:
            utc = EPOCH + timedelta(minutes=minute)
            local = utc.astimezone(ZONE)
            offset = local.strftime("%z")
            self._minute = minute
            self._parts = (
                local.strftime("%d.%m.%Y"),
                local.strftime("%Y-%m-%d"),
                local.strftime("%H:%M"),
                f"{offset[:3]}:{offset[3:]}",
                utc.strftime("%Y-%m-%dT%H:%M"),
            )
        return (*self._parts, f"{rest // 1000:02d}.{rest % 1000:03d}")


def gauge_update(window: Window) -> int:
    """Return the epoch ms from which the gauge writes its time another way."""
    day, clock = sc.GAUGE_UPDATE
    return window.base + window.at(day, clock) if window.days > day else window.base + window.end


def stampers(window: Window) -> dict[str, Callable[[int, int, str], tuple[str, str]]]:
    """Return per dialect the function (epoch ms, number, body) -> (local date, line)."""
    clock = LocalClock()
    update = gauge_update(window)

    def robots(ms: int, no: int, body: str) -> tuple[str, str]:
        day, date, hm, _, _, s = clock.parts(ms)
        return date, f"{day} {hm}:{s} #{no:07d} {body}"

    def press(ms: int, no: int, body: str) -> tuple[str, str]:
        return clock.parts(ms)[1], f"t={ms} no={no} {body}"

    def cellplc(ms: int, no: int, body: str) -> tuple[str, str]:
        _, date, hm, _, _, s = clock.parts(ms)
        return date, f"{date} {hm}:{s.replace('.', ',')};{no};{body}"

    def gauge(ms: int, no: int, body: str) -> tuple[str, str]:
        _, date, hm, offset, utc, s = clock.parts(ms)
        time = f"{date} {hm}:{s}{offset}" if ms < update else f"{utc}:{s}Z"
        return date, f'{{"time":"{time}","no":{no},{body}}}'

    def line(ms: int, no: int, body: str) -> tuple[str, str]:
        _, date, hm, offset, _, s = clock.parts(ms)
        return date, f"{date}T{hm}:{s}{offset}\t{no}\t{body}"

    def tester(ms: int, no: int, body: str) -> tuple[str, str]:
        _, date, _, _, utc, s = clock.parts(ms)
        return date, f'time="{utc}:{s}Z" no={no} {body}'

    return {"robots": robots, "press": press, "cellplc": cellplc, "gauge": gauge, "line": line, "tester": tester}


def written(
    dialect: Dialect,
    said: list[tuple[int, str, int]],
    window: Window,
    dead: list[tuple[int, int]],
    ahead: Callable[[int], float] = lambda t: 0.0,
) -> Iterator[Line]:
    """Yield the lines of one source in order, with heartbeats, numbers and stamps of its own clock.

    `ahead`: by how many ms its clock is ahead at a time, beyond the small constant offset that each dialect has.
    """
    stamp = stampers(window)[dialect.source]
    no, last = dialect.first_no, 0
    for i, (t, body, events) in enumerate(_with_heartbeats(dialect, said, window, dead)):
        jitter = (i * 2_654_435_761 >> 9) % 6
        last = max(last, window.base + t + dialect.offset_ms + jitter)
        no = 1 if dialect.restarts and body.startswith("ev=boot") and t > 0 else no + 1
        date, text = stamp(last + round(ahead(t)), no, body)
        yield Line(date, text, events, events == 0)


def _with_heartbeats(
    dialect: Dialect, said: list[tuple[int, str, int]], window: Window, dead: list[tuple[int, int]]
) -> Iterator[tuple[int, str, int]]:
    if dialect.source == "gauge":
        update = gauge_update(window) - window.base
        said = sorted([*said, (update, '"msg":"update"', 0)], key=lambda row: row[0])
    last = 0
    for row in [*said, (window.end - 50, dialect.alive, 0)]:
        t = last + ALIVE_MS
        while t < row[0] - 1000:
            cut = next((boot for cut, boot in dead if cut <= t < boot), None)
            if cut is None:
                yield t, dialect.alive, 0
            t += ALIVE_MS
        yield row
        last = row[0]
