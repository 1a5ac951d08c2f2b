"""The gating record: for each moment of a run, whom the cell waited for, by one walk back from a good part's departure.

A stretch that a process worked is charged to its station; where it waited, the walk goes on at whoever ended that wait.
The rows tile the run. Nothing of it is in the logs: it is the truth that an account of the logs is held to.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterator
from dataclasses import dataclass, replace
from itertools import pairwise

from sample_logs.generator.calendar import HOUR
from sample_logs.generator.kit import Cell
from sample_logs.generator.paint import stop_line
from sample_logs.generator.scenario import Lane
from sample_logs.generator.watch import WORK, Held, Mark, Outside, Trace, Waited, Worked

BEYOND_MS = 4 * HOUR  # a run goes on so long after its window, for the first good departure after it
PLANNED_STOP = "planned_stop"


@dataclass(frozen=True, slots=True)
class Gate:
    """A stretch of a run, and what it is charged to; station None: the whole cell. lane: who worked then."""

    start: int
    end: int
    station: str | None
    line: str
    cause: str | None
    lane: Lane | None = None


def gating_record(cell: Cell) -> list[Gate]:
    """Return the record of a watched run from 0 to its window's end, in order. Lets the run go on a while first."""
    rows: list[Gate] = []
    for gate in stretches(cell):
        start, charged = gate.start, (gate.station, gate.line, gate.cause)
        if rows and (rows[-1].station, rows[-1].line, rows[-1].cause) == charged:
            start = rows.pop().start
        rows.append(Gate(start, gate.end, *charged))
    return rows


def stretches(cell: Cell) -> list[Gate]:
    """Return the record before stretches with one charge are joined: each is of one step at most."""
    if cell.late.told is not None:
        raise ValueError(f"{cell.name}: who waited for what was told from another run is not kept")
    end = cell.window.end
    cell.env.run(until=end + BEYOND_MS)
    depart, mark = next((d for d in cell.watch.departures if d[0] >= end), cell.watch.departures[-1])
    found = reversed(list(_walk(cell, mark, depart)))
    return [replace(gate, end=min(gate.end, end)) for gate in found if gate.start < min(gate.end, end)]


def _walk(cell: Cell, mark: Mark, at: int) -> Iterator[Gate]:
    """Walk back from a moment; yield the last stretch first. Entries after `at` are passed over."""
    standing = _Standing(cell)
    trace, n = mark
    waiter: tuple[Mark, int] | None = None  # who waits for this process, and since when
    idle = 0
    while at > 0:
        idle += 1
        if idle > 100_000:
            raise RuntimeError(f"{cell.name}: the walk goes in a circle at {at}")
        if n == 0:
            if trace.parent is None:
                yield Gate(0, at, None, "unexplained", "start")
                return
            trace, n = trace.parent
            continue
        entry = trace.entries[n - 1]
        if entry.end < at:
            yield Gate(entry.end, at, None, "unexplained", "gap")
            at = entry.end
        if isinstance(entry, Waited):
            if entry.start < at and entry.waker:
                waiter, (trace, n) = ((trace, n - 1), entry.start), entry.waker
            else:
                n -= 1
            continue
        if entry.start >= at:
            n -= 1
            continue
        idle = 0
        if isinstance(entry, Outside):
            since = max(entry.start, waiter[1]) if waiter else entry.start
            if since < at:
                yield Gate(since, at, entry.station, entry.line, entry.cause)
                at = since
            if waiter and waiter[1] >= entry.start:
                trace, n = waiter[0]
            elif entry.before:
                trace, n = entry.before, _first_until(entry.before, at)
            else:
                n -= 1
            continue
        parts = standing.held(entry) if isinstance(entry, Held) else standing.worked(entry)
        for gate in reversed(parts):
            if gate.start < at:
                yield replace(gate, end=min(gate.end, at))
        at = entry.start
        n -= 1


def _first_until(trace: Trace, at: int) -> int:
    """Return how many entries there are up to the first that reaches a time."""
    return min(bisect_left(trace.entries, at, key=lambda entry: entry.end) + 1, len(trace.entries))


class _Standing:
    """Why a cell or a lane stood."""

    def __init__(self, cell: Cell) -> None:
        power = [Gate(a, b, None, "no_data", "power") for a, b, _ in cell.scenario.power]
        power += [Gate(b, c, None, "waiting_people", "C030") for _, b, c in cell.scenario.power]
        emergency = [Gate(a, b, None, "safety_stop", "E001") for a, b in cell.scenario.emergency]
        self.frozen = [*power, *emergency]  # in order of precedence
        self.breakdowns = cell.scenario.breakdowns
        messages = [Gate(s.start, s.end, None, s.line or "", s.cause) for s in cell.rec.whole]
        modes = [*cell.rec.modes, (cell.now, "")]
        words = {"PAUSE": (PLANNED_STOP, "PAUSE"), "OFF": (PLANNED_STOP, "OFF"), "SETUP": ("changeover", None)}
        paused = [Gate(start, end, None, *words[mode]) for (start, mode), (end, _) in pairwise(modes) if mode in words]
        self.paused = [*messages, *paused]

    def held(self, entry: Held) -> list[Gate]:
        """Return the pieces of a time in which the process could have gone on but for a pause or frozen time."""
        layers = [*self.frozen, *self._broken(entry.lane), *self.paused]
        return list(_paint(entry.start, entry.end, layers))

    def worked(self, entry: Worked) -> list[Gate]:
        """Return the pieces of a stretch of work: frozen time in it, work up to the plan, slow beyond."""
        layers = [*self.frozen, *self._broken(entry.lane)]
        here = [g for g in layers if g.start < entry.end and g.end > entry.start]
        pieces = list(_paint(entry.start, entry.end, here)) if here else [Gate(entry.start, entry.end, None, "", None)]
        found: list[Gate] = []
        left = entry.end if entry.planned is None else max(0, entry.planned)
        for p in pieces:
            if p.line:
                found.append(p)
                continue
            cut = p.end if entry.line != WORK else min(p.end, p.start + left)
            left -= cut - p.start
            if cut > p.start:
                found.append(Gate(p.start, cut, entry.station, entry.line, entry.cause, entry.lane))
            if cut < p.end:
                found.append(Gate(cut, p.end, entry.station, "slow_cycle", None))
        return found

    def _broken(self, lane: Lane | None) -> list[Gate]:
        return [
            Gate(b.start, b.end, b.station, stop_line(b.end - b.start), b.alarm.code)
            for b in self.breakdowns
            if lane and b.holds(lane)
        ]


def _paint(start: int, end: int, layers: list[Gate]) -> Iterator[Gate]:
    """Cut [start, end) at the edges of layers; each piece is that of the first layer that covers it, or has no line."""
    here = [g for g in layers if g.start < end and g.end > start]
    edges = sorted({start, end, *(t for g in here for t in (g.start, g.end) if start < t < end)})
    for a, b in pairwise(edges):
        top = next((g for g in here if g.start <= a and g.end >= b), None)
        yield Gate(a, b, top.station, top.line, top.cause) if top else Gate(a, b, None, "", None)
