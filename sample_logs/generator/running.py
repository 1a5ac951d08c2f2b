"""How the processes of a cell pass time: work, waits, frozen time, pauses; and the record of it."""

from __future__ import annotations

from collections.abc import Callable, Generator, Iterator
from contextlib import contextmanager
from typing import Any

import simpy

from sample_logs.generator.calendar import Frozen
from sample_logs.generator.paint import stop_line
from sample_logs.generator.scenario import Lane
from sample_logs.generator.watch import STOP, WORK, Waiting, Watch, Worked

Proc = Generator[simpy.Event, Any, Any]


class Running:
    """What processes of a cell do with time. All times are integer ms from the window's start."""

    def __init__(self, env: simpy.Environment, watched: bool) -> None:
        self.env = env
        self.frozen = Frozen([])
        self.lane_frozen: dict[Lane, Frozen] = {}
        self.pulse = env.event()
        self.setup = False
        self.pauses: set[str] = set()
        self.halted = ""  # HAND in an emergency stop, OFF after a power cut
        self.watch, self.blind = Watch(env, watched), False

    @property
    def now(self) -> int:
        """Return the time."""
        return int(self.env.now)

    def tell(self) -> None:
        """Wake everybody who waits for a change."""
        pulse, self.pulse = self.pulse, self.env.event()
        pulse.succeed(self.watch.here())

    def spawn(self, process: Proc) -> simpy.Process:
        """Start a process."""
        started = self.env.process(process)
        self.watch.born(started)
        return started

    def until(self, t: int) -> Proc:
        """Wait for a time on the clock."""
        if t > self.now:
            yield self.env.timeout(t - self.now)

    def work(
        self,
        lane: Lane | None,
        ms: int,
        planned: int | None = None,
        doer: str | None = None,
        line: str = WORK,
        cause: str | None = None,
    ) -> Proc:
        """Work for so long; frozen time does not count. The rest says whom the gating record charges, and for what."""
        frozen = self.lane_frozen.get(lane, self.frozen) if lane else self.frozen
        start, end = self.now, frozen.advance(self.now, ms)
        yield from self.until(end)
        line = stop_line(end - start) if line == STOP else line
        self.watch.add(Worked(start, end, lane, doer or (lane[0] if lane else None), line, cause, planned))

    def wait_for(self, ready: Callable[[], bool], lane: Lane | None = None) -> Proc:
        """Wait until something holds and time is not frozen."""
        frozen = self.lane_frozen.get(lane, self.frozen) if lane else self.frozen
        wait = Waiting(self, ready, lane)
        while True:
            if not ready():
                yield from wait.pulse()
            elif frozen.until(self.now) > self.now:
                wait.look()
                yield from self.until(frozen.until(self.now))
            else:
                wait.over()
                return

    @property
    def paused(self) -> bool:
        """Tell whether no new step may begin."""
        return not self.blind and (bool(self.pauses) or self.setup or bool(self.halted))

    @contextmanager
    def blind_to_pauses(self) -> Iterator[None]:
        """Let nothing seem paused, for the question whether it is only a pause that a process waits for."""
        self.blind = True
        yield
        self.blind = False
