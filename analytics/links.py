"""Hand-over links of a cell and the clocks of its sources: what [[links]] and [clocks] of a cell file say.

A link is a pair of records of two sources about one thing, the cause not after the effect: the robot has placed the
part, the press begins. From such pairs the clocks are aligned, see analytics/clocks/.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from datetime import datetime
from typing import TYPE_CHECKING, Annotated, Literal

from pydantic import Field

from ingest.errors import suggest
from ingest.events import KINDS
from ingest.toml_file import Strict

if TYPE_CHECKING:
    from analytics.cell import Cell

Finding = tuple[tuple[str | int, ...], str, str | None, str | None, str | None]


class Selector(Strict):
    """Which records stand on one side of a link."""

    station: str
    kind: str
    source: str | None = None
    """Default: whichever source says it."""
    at: str | None = None
    step: str | None = None
    nest: str | None = None


class Link(Strict):
    """Cause and effect, said by two sources."""

    name: str = ""
    cause: Selector
    effect: Selector
    match: Literal["part", "order"] | None = None
    """By the part's number, or by order in time. Default: by part, where both sides name it."""
    least_s: float = 0.0
    """The effect is at least so long after its cause."""
    typical_s: float | None = None
    """Usually it is so long after it. With this the link gives the offset; without it, only a bound."""

    @property
    def title(self) -> str:
        """Return the name, or what the link pairs."""
        if self.name:
            return self.name
        where = "" if self.cause.station == self.effect.station else f"{self.effect.station} "
        return f"{self.cause.station} {self.cause.kind} – {where}{self.effect.kind}"


class Clocks(Strict):
    """Whose clock is the clock of the cell."""

    reference: str | None = None
    """Default: the source with most hand-overs to others."""


class Pin(Strict):
    """What a person knows of a clock: it is ahead of the reference by offset_s."""

    offset_s: Annotated[float, Field(ge=-86_400, le=86_400)]
    drift_ppm: Annotated[float, Field(ge=-10_000, le=10_000)] = 0.0
    """It gains so many microseconds per second from `from` on, where offset_s holds."""
    since: datetime | None = Field(default=None, alias="from")
    until: datetime | None = None


# kinds of one station, cause before effect. Where the effect follows at once, the typical lag is 0.
AT_ONCE = (
    ("part_in", "cycle_start"),
    ("part_in", "part_in"), ("cycle_start", "cycle_start"), ("result", "result"), ("cycle_end", "cycle_end"),
    ("part_out", "part_out"),
)  # fmt: skip
SOME_TIME = (
    ("cycle_start", "result"), ("cycle_start", "cycle_end"), ("result", "part_out"), ("cycle_end", "part_out"),
)  # fmt: skip
HANDED_ON = (("part_out", "part_in"), ("part_out", "cycle_start"), ("cycle_end", "cycle_start"))


def links_of(cell: Cell) -> list[Link]:
    """Return the links of the file, and default ones for the stations of which the file links nothing."""
    linked = {side.station for link in cell.links for side in (link.cause, link.effect)}
    free = [s.name for s in cell.stations if s.name not in linked]

    def link(first: str, cause: str, then: str, effect: str, lag: float | None = None) -> Link:
        sides = Selector(station=first, kind=cause), Selector(station=then, kind=effect)
        return Link(cause=sides[0], effect=sides[1], typical_s=lag)

    at_once = [link(s, a, s, b, 0.0) for s in free for a, b in AT_ONCE]
    later = [link(s, a, s, b) for s in free for a, b in SOME_TIME]
    onward = [
        link(s, a, t, b)
        for t in free
        for s in _before(cell, t)
        # A robot that loads a machine and unloads it is both before and after it.
        if s in free and s != t and t not in _all_before(cell, s)
        for a, b in HANDED_ON
    ]
    return [*cell.links, *at_once, *later, *onward]


def _before(cell: Cell, name: str) -> list[str]:
    """Stations whose parts a station takes; through places that no source reports for."""
    found: list[str] = []
    todo = list(cell.station(name).feeds_from)
    seen = set(todo)
    while todo:
        station = cell.station(todo.pop(0))
        found.append(station.name)
        if not station.sources:
            new = [n for n in station.feeds_from if n not in seen]
            seen.update(new)
            todo += new
    return found


def _all_before(cell: Cell, name: str) -> set[str]:
    """Stations from which a way leads to a station."""
    known = {s.name: s.feeds_from for s in cell.stations}
    seen: set[str] = set()
    todo = [name]
    while todo:
        new = [n for n in known.get(todo.pop(), ()) if n not in seen]
        seen.update(new)
        todo += new
    return seen


def reference_of(cell: Cell) -> str | None:
    """Return the source whose clock is the cell's: the one that the file names, else that with most hand-overs.

    Told by the cell file alone, so that it is the same on all days. None when no station names a source.
    """
    if cell.clocks.reference:
        return cell.clocks.reference
    of = {s.name: s.sources for s in cell.stations}
    free = [s.name for s in cell.sources if s.clock == "estimate" and not s.pins]
    listed = [s for station in cell.stations for s in station.sources]
    order = list(dict.fromkeys([*(s.name for s in cell.sources), *listed]))
    allowed = [s for s in order if s in free or s not in {x.name for x in cell.sources}]
    met = Counter(
        source
        for station in cell.stations
        for before in station.feeds_from
        for source in {*of[station.name], *of.get(before, ())}
        if set(of[station.name]) != set(of.get(before, ())) and of.get(before) and of[station.name]
    )
    met.update(side.source for link in cell.links for side in (link.cause, link.effect) if side.source)
    stations = Counter(listed)
    if not allowed or not (met or stations):
        return None
    return max(allowed, key=lambda s: (met[s], stations[s], -order.index(s)))


def contradictions(cell: Cell) -> Iterator[Finding]:
    """Tell what is wrong in [[links]], [clocks] and the clocks of [[sources]]."""
    names = [s.name for s in cell.stations]
    sources = list(dict.fromkeys([*(s.name for s in cell.sources), *(n for s in cell.stations for n in s.sources)]))
    known = ", ".join(sources) or "none is listed"

    def unknown_source(loc: tuple[str | int, ...], name: str) -> Finding:
        fix = suggest(name, sources) or f'add  [[sources]]  name = "{name}"'
        return loc, "this source is not listed in the cell file", name, known, fix

    for i, link in enumerate(cell.links):
        for label, side in (("cause", link.cause), ("effect", link.effect)):
            for key, name in (("station", side.station), ("at", side.at)):
                if name is not None and name not in names:
                    fix = suggest(name, names) or "define it under [[stations]]"
                    yield ("links", i, label, key), "this station is not defined", name, ", ".join(names), fix
            if side.kind not in KINDS:
                fix = suggest(side.kind, KINDS) or "use one of the allowed kinds"
                yield ("links", i, label, "kind"), "this kind of event does not exist", side.kind, ", ".join(KINDS), fix
            if side.source is not None and side.source not in sources:
                yield unknown_source(("links", i, label, "source"), side.source)
        if link.cause.source is not None and link.cause.source == link.effect.source:
            fix = "name two sources: a link compares their clocks"
            name = link.effect.source
            yield ("links", i, "effect", "source"), "cause and effect are said by one source", name, None, fix
        if link.typical_s is not None and link.typical_s < link.least_s:
            fix = "give a typical lag that is not shorter than the least one"
            yield ("links", i, "typical_s"), "shorter than least_s", str(link.typical_s), f">= {link.least_s:g}", fix
    reference = cell.clocks.reference
    if reference is not None and reference not in sources:
        yield unknown_source(("clocks", "reference"), reference)
    for i, source in enumerate(cell.sources):
        if source.name == reference and (source.pins or source.clock == "off"):
            fix = "take away its `pins` and `clock`, or name another reference"
            message = "the reference is the clock itself: it is neither pinned nor off"
            yield ("sources", i), message, reference, None, fix
        yield from _wrong_pins(i, source.pins)


def _wrong_pins(i: int, pins: tuple[Pin, ...]) -> Iterator[Finding]:
    for j, pin in enumerate(pins):
        if pin.drift_ppm and pin.since is None:
            message = "a drift needs the time at which offset_s holds"
            yield ("sources", i, "pins", j, "drift_ppm"), message, str(pin.drift_ppm), None, "add `from`"
    ends = [t for pin in pins for t in (pin.since, pin.until) if t is not None]
    if len({t.tzinfo is None for t in ends}) > 1:
        loc, message = ("sources", i, "pins"), "some times have an offset from UTC and some have none"
        yield loc, message, None, None, "write all of them in one way; without an offset they are the plant's time"
        return
    for j, pin in enumerate(pins):
        if pin.since and pin.until and pin.until <= pin.since:
            loc2 = ("sources", i, "pins", j, "until")
            yield loc2, "the pin ends before it begins", f"{pin.until:%d %b %H:%M}", None, "correct `from` or `until`"
        for k in range(j):
            a, b = pins[k], pin
            apart = (a.until and b.since and a.until <= b.since) or (b.until and a.since and b.until <= a.since)
            if not apart:
                fix = "give them `from` and `until` that do not overlap"
                yield ("sources", i, "pins", j), f"pins {k + 1} and {j + 1} hold at the same time", None, None, fix
