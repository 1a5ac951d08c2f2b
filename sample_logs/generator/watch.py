"""What every process of a cell did, kept while the cell runs: work, waits with who ended them, and outside causes.

The simulation itself does not read it. `gating` walks back through it.
"""

from __future__ import annotations

from collections.abc import Callable, Generator
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import simpy

if TYPE_CHECKING:
    from sample_logs.generator.running import Running
    from sample_logs.generator.scenario import Lane

WORK, STOP = "work", "stop"  # lines of Worked that the walk refines: slow beyond the plan, short or long


@dataclass(slots=True, eq=False)
class Trace:
    """One process: what it did, in order, and at which moment of which other process it began."""

    parent: Mark | None
    entries: list[Entry] = field(default_factory=list)


Mark = tuple[Trace, int]  # a moment of a process: so many entries were there


@dataclass(slots=True)
class Worked:
    """Time that a station worked or stood within a step, with frozen time. planned: of this stretch, in net ms."""

    start: int
    end: int
    lane: Lane | None
    station: str | None
    line: str
    cause: str | None
    planned: int | None


@dataclass(slots=True)
class Waited:
    """A wait that another process ended."""

    start: int
    end: int
    waker: Mark | None


@dataclass(slots=True)
class Held:
    """All that a process needed was there, but the cell or its lane stood."""

    start: int
    end: int
    lane: Lane | None


@dataclass(slots=True)
class Outside:
    """A cause outside of the cell's processes. Who waits for it is charged with it from when the wait began."""

    start: int
    end: int
    station: str | None
    line: str
    cause: str | None
    before: Trace | None = None  # who held up the waiter if the wait is older than the cause


Entry = Worked | Waited | Held | Outside


class Watch:
    """Keeps the traces of all processes of one cell, if it is on."""

    def __init__(self, env: simpy.Environment, on: bool) -> None:
        self.env, self.on = env, on
        self.traces: dict[simpy.Process, Trace] = {}
        self.departures: list[tuple[int, Mark]] = []  # of good parts

    def here(self) -> Mark | None:
        """Return the moment at which the running process is."""
        trace = self._trace()
        return (trace, len(trace.entries)) if trace else None

    def born(self, process: simpy.Process) -> None:
        """Note a new process of the running one."""
        if self.on:
            self.traces[process] = Trace(self.here())

    def add(self, entry: Entry) -> None:
        """Note what the running process did."""
        trace = self._trace()
        if trace and entry.end > entry.start:
            trace.entries.append(entry)

    def departed(self) -> None:
        """Note that the running process let a good part go."""
        mark = self.here()
        if mark:
            self.departures.append((int(self.env.now), mark))

    def _trace(self) -> Trace | None:
        process = self.env.active_process if self.on else None
        return self.traces.get(process) if process else None


class Waiting:
    """One wait of a process: since when it would have gone on but for a pause, and who made that so."""

    def __init__(self, cell: Running, ready: Callable[[], bool], lane: Lane | None) -> None:
        self.cell, self.ready, self.lane = cell, ready, lane
        self.since = cell.now
        self.good_since: int | None = None
        self.waker: Mark | None = None
        self.last: Mark | None = None

    def pulse(self) -> Generator[simpy.Event, Any, None]:
        """Wait for the next change in the cell."""
        self.look()
        self.last = yield self.cell.pulse
        self.look()

    def over(self) -> None:
        """Note the wait: it is over."""
        watch, now = self.cell.watch, self.cell.now
        if not watch.on:
            return
        good, waker = (now, self.last) if self.good_since is None else (self.good_since, self.waker)
        watch.add(Waited(self.since, good, waker))
        watch.add(Held(good, now, self.lane))

    def look(self) -> None:
        """See whether only a pause is in the way."""
        if not self.cell.watch.on:
            return
        with self.cell.blind_to_pauses():
            good = self.ready()
        if not good:
            self.good_since = None
        elif self.good_since is None:
            self.good_since, self.waker = self.cell.now, self.last
