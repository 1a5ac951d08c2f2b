"""What happens to logs on their way: clocks that are off, drift and are set; lines lost, doubled, shuffled, garbled."""

from __future__ import annotations

import random
from collections.abc import Iterator
from dataclasses import dataclass, replace

from sample_logs.generator.calendar import Window
from sample_logs.generator.dialects import Line

BOOT_MS = 30_000


@dataclass(frozen=True, slots=True)
class Clock:
    """A source's clock: what it says at a time (ms from the window's start). It steps at a reboot."""

    offset_ms: int = 0
    drift_ppm: float = 0.0
    step_at: int | None = None
    step_ms: int = 0

    def ahead(self, t: int) -> float:
        """By how many ms it is ahead at t."""
        step = self.step_ms if self.step_at is not None and t >= self.step_at else 0
        return self.offset_ms + self.drift_ppm * 1e-6 * t + step

    def boots(self, t: int) -> bool:
        """Tell whether its source is booting at t, and writes nothing."""
        return self.step_at is not None and self.step_at - BOOT_MS <= t < self.step_at


@dataclass(frozen=True, slots=True)
class Disturbance:
    """How logs are disturbed: shares of lines, and the clocks of the sources."""

    clocks: dict[str, Clock]
    seed: int
    lost: float = 0.01
    doubled: float = 0.02
    moved: float = 0.05
    garbled: float = 0.001

    def clock(self, source: str) -> Clock:
        """Return the clock of a source."""
        return self.clocks.get(source, Clock())

    def lines(self, source: str, lines: Iterator[Line]) -> Iterator[Line]:
        """Lose, double, shuffle and garble lines; each stays in the file of its date."""
        rng = random.Random(f"{self.seed}-{source}-lines")
        waiting: list[tuple[int, Line]] = []  # (how many lines are still to pass it, line)
        date = ""
        for line in lines:
            if line.date != date:
                yield from (late for _, late in waiting)
                waiting, date = [], line.date
            out = [] if rng.random() < self.lost else [line]
            if out and rng.random() < self.doubled:
                out.append(line)
            if rng.random() < self.garbled:
                cut = line.text[: rng.randrange(1, 12)] + "\ufffd?"
                out.append(replace(line, text=cut, events=0, alive=False))
            for one in out:
                if rng.random() < self.moved:
                    waiting.append((rng.randrange(1, 12), one))
                else:
                    yield one
            due = [late for n, late in waiting if n == 0]
            waiting = [(n - 1, late) for n, late in waiting if n > 0]
            yield from due
        yield from (late for _, late in waiting)


def disturbance(window: Window, sources: list[str], seed: int, reboots: dict[str, int]) -> Disturbance:
    """Draw clocks up to 60 s off that drift by up to 50 ppm; those in `reboots` step by 5 s then."""
    rng = random.Random(f"{seed}-clocks")
    clocks = {}
    for source in sorted(sources):
        step = (5000, -5000)[rng.randrange(2)]
        offset, drift = rng.randrange(-60_000, 60_001), rng.uniform(-50, 50)
        clocks[source] = Clock(offset, drift, reboots.get(source), step if source in reboots else 0)
    return Disturbance(clocks, seed)
