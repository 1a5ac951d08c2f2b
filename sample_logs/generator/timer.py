"""Model of the kitchen-timer line: six stations in series with a few places on the belt between them."""

from __future__ import annotations

from collections import deque

import simpy

from sample_logs.generator import catalogue as cat
from sample_logs.generator.calendar import Window
from sample_logs.generator.chances import REJECTS, Run
from sample_logs.generator.kit import Cell, Proc
from sample_logs.generator.records import Hold, Part, Span
from sample_logs.generator.scenario import Lane
from sample_logs.generator.watch import Outside

LANES: tuple[Lane, ...] = tuple((station, None) for station in cat.TIMER_STATIONS)
UNIT = {station: f"ST{i + 1}" for i, station in enumerate(cat.TIMER_STATIONS)}
BELT_MS = 1050  # from one station to the next, or from the store of frames


class TimerCell(Cell):
    """The line. A part that fails is taken off; nothing replaces it."""

    kind = "timer"
    unit = "pieces"
    order_plan = (("dome-60", 1750), ("cube-60", 1400), ("dome-60", 650), ("pear-90", 1200), ("cube-60", 2000))
    filler = 300

    def __init__(self, env: simpy.Environment, window: Window, name: str, copy: int, how: Run) -> None:
        super().__init__(env, window, name, copy, how)
        self.products = {made.name: made for made in cat.TIMER_PRODUCTS}
        self.line = cat.copy_name("line", copy)
        self.tester = cat.copy_name("tester", copy)
        self.left = 0  # parts still to feed
        self.ready: dict[str, deque[Part]] = {station: deque() for station in cat.TIMER_STATIONS}
        self.on_belt = dict.fromkeys(cat.TIMER_STATIONS, 0)  # places taken before the station
        self.frame_ready = False
        self.first_busy = False  # the first station has a part

    def start(self) -> None:
        """Start all processes."""
        self.say_boot()
        self.run_shared(list(LANES))
        for i in range(len(cat.TIMER_STATIONS)):
            self.spawn(self.station(i))
        self.spawn(self.frames())

    def load_order(self, made: cat.SetProduct, quantity: int) -> None:
        """Queue an order."""
        self.left += quantity

    def all_fed(self) -> bool:
        """Tell whether nothing is left to feed."""
        return self.left == 0

    def frames(self) -> Proc:
        """Bring frames to the first station, one at a time; now and then there are none."""
        lane: Lane = ("frame", None)
        brought = 0
        while True:
            yield from self.wait_for(lambda: not self.frame_ready and self.left > 0 and not self.paused, lane)
            brought += 1
            by_clock = next((b for a, b in self.scenario.frames_out if a <= self.now < b), 0)
            since = out = 0
            if self.late.is_late("frame", brought, by_clock > 0):
                yield from self.wait_for(lambda: not self.first_busy and not self.paused, lane)
                since = self.now
                out = self.late.due("frame", brought, since, by_clock)
            if since < out:
                self.say(self.line, "ST1\tSTATE\t\t\tNO_MATERIAL\t", 1)
                yield from self.until(out)
                self.watch.add(Outside(since, self.now, "frame", "waiting_material", "NO_MATERIAL"))
                yield from self.wait_for(lambda: True, lane)
                self.say(self.line, "ST1\tSTATE\t\t\tREADY\t", 1)
                self.rec.waits.append(Span(lane, since, self.now, "waiting_material", "NO_MATERIAL"))
            yield from self.work(lane, BELT_MS)
            self.frame_ready = True
            self.tell()
            yield from self.wait_for(lambda: not self.frame_ready, lane)

    def station(self, i: int) -> Proc:
        """Take a part in, work on it, pass it on."""
        station = cat.TIMER_STATIONS[i]
        after = cat.TIMER_STATIONS[i + 1] if i + 1 < len(cat.TIMER_STATIONS) else None
        lane: Lane = (station, None)
        unit = UNIT[station]
        while True:
            yield from self.wait_for(lambda: not self.paused and self._has_part(station), lane)
            part = self._take(station)
            ident = f"{part.name}\t{part.product}"
            planned = self.products[part.product].cycle_ms[station]
            cycle = self.begin(lane, part, planned)
            self.say(self.line, f"{unit}\tIN\t{ident}\t\t", 2)
            ms = self.natural(station, planned)
            if station == "test":
                yield from self.step(lane, ms - 320, planned)
                self.judge(part)
                yield from self.work(lane, 320, planned - (ms - 320))
            else:
                yield from self.step(lane, ms, planned)
            if station == "gear" and self.chances.of("torque").random() < self.reject_share(part, 0.006):
                self.reject(part, "gear", "torque_high")
            cycle.end = self.now
            if part.bad_at == "gear":
                self.say(self.line, f"{unit}\tEND_NOK\t{ident}\t{part.cause}\t", 1)
            else:
                self.say(self.line, f"{unit}\tEND\t{ident}\t\t", 1)
            if after and part.bad_at is None:
                yield from self.wait_for(lambda: self.on_belt[after] < cat.BELT_PLACES[after], lane)
            else:
                yield from self.wait_for(lambda: True, lane)
            self.say(self.line, f"{unit}\tOUT\t{ident}\t\t", 1)
            if station == "frame":
                self.first_busy = False
                self.tell()
            if self.now > cycle.end:
                self.rec.holds.append(Hold(lane, cycle.end, self.now, part))
            if after and part.bad_at is None:
                self.on_belt[after] += 1
                self.spawn(self.carry(part, after))
            else:
                part.outcome, part.done = "reject" if part.bad_at else "good", self.now
                if part.outcome == "good":
                    self.watch.departed()
                self.inside -= 1
                self.tell()

    def carry(self, part: Part, after: str) -> Proc:
        """Move a part along the belt."""
        yield from self.work(None, BELT_MS, doer=f"belt_{after}")
        self.ready[after].append(part)
        self.tell()

    def _has_part(self, station: str) -> bool:
        return (self.frame_ready and self.left > 0) if station == "frame" else bool(self.ready[station])

    def _take(self, station: str) -> Part:
        if station != "frame":
            part = self.ready[station].popleft()
            self.on_belt[station] -= 1
            self.tell()
            return part
        assert self.made is not None
        self.frame_ready = False
        self.first_busy = True
        self.left -= 1
        self.inside += 1
        self.serial += 1
        start_up = self.start_up_left > 0
        self.start_up_left = max(0, self.start_up_left - 1)
        number = f"K{10_000 + 1_000_000 * self.copy + self.serial:07d}"
        part = Part(number, self.made.name, self.made.name, "", self.now, start_up)
        self.rec.parts.append(part)
        self.tell()
        return part

    def reject_share(self, part: Part, usual: float) -> float:
        """Return the chance that a part fails."""
        return usual + self.scenario.burst_share(self.now) + (0.22 if part.start_up else 0.0)

    def reject(self, part: Part, station: str, cause: str) -> None:
        """Find a part bad."""
        if not self.scenario.without(REJECTS, station):
            part.bad_at, part.cause = station, cause

    def judge(self, part: Part) -> None:
        """Let the tester write its verdict: does the timer ring, and how long."""
        rng = self.chances.of("ring")
        ring = rng.gauss(6.4, 0.35)
        roll = rng.random()
        if roll < 0.008:
            self.reject(part, "test", "no_ring")
            ring = 0.0
        elif roll < self.reject_share(part, 0.008) - self.scenario.burst_share(self.now) + 0.006:
            self.reject(part, "test", "short_ring")
            ring = rng.uniform(1.5, 4.4)
        said = f"part={part.name} verdict={'FAIL' if part.bad_at else 'PASS'} ring_s={ring:.2f}"
        self.say(self.tester, said + (f" cause={part.cause}" if part.bad_at else ""), 2)

    def say_mode(self, mode: str) -> None:
        """Log the line's mode."""
        self.say(self.line, f"LINE\tMODE\t\t\t{mode}\t", 1)

    def say_alarm(self, lane: Lane | None, code: str, text: str, on: bool) -> None:
        """Log an alarm."""
        unit = UNIT[lane[0]] if lane else "LINE"
        self.say(self.line, f"{unit}\tALARM_{'ON' if on else 'OFF'}\t\t\t{code}\t{text if on else ''}", 1)

    def say_boot(self) -> None:
        """Log the start of the controller."""
        self.say(self.line, "LINE\tBOOT\t\t\t\t", 0)
