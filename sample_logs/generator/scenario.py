"""The losses that are planted: where, when, how long. Everything here comes back as truth."""

from __future__ import annotations

import math
import random
from bisect import bisect_right
from dataclasses import dataclass

from sample_logs.generator import catalogue as cat
from sample_logs.generator.calendar import HOUR, MINUTE, Window
from sample_logs.generator.chances import BREAKDOWNS, DRY, SHORT_ALARM, SHORT_SILENT, Chances, Loss, Run
from sample_logs.generator.watch import Outside, Trace

Lane = tuple[str, str | None]  # station, nest

# Three days that repeat: (day, wall clock, minutes, ...)
SPOON_BREAKDOWNS = (
    (0, "07:20", 11, "robA", None, "3107"),
    (0, "21:10", 18, "press", None, "P133"),
    (0, "03:40", 38, "robB", None, "3215"),
    (1, "11:50", 16, "press", None, "P120"),
    (1, "22:40", 33, "press", None, "P133"),
    (2, "21:20", 14, "robB", None, "3207"),
    (2, "04:00", 41, "press", None, "P133"),
    (0, "10:20", 34, "press", None, "P133"),
    (0, "15:40", 6, "robB", None, "3207"),
    (0, "23:50", 47, "clean", None, "3310"),
    (1, "08:10", 27, "robA", None, "3119"),
    (1, "17:40", 12, "gauge", None, "G101"),
    (1, "02:15", 9, "press", "1", "P104"),
    (1, "04:20", 15, "robB", None, "3215"),
    (2, "17:20", 16, "press", "2", "P120"),
    (2, "01:30", 22, "robA", None, "3112"),
)
TIMER_BREAKDOWNS = (
    (0, "11:10", 17, "test", None, "L602"),
    (1, "07:10", 22, "spring", None, "L211"),
    (1, "20:30", 19, "dial", None, "L418"),
    (2, "20:50", 13, "gear", None, "L312"),
    (0, "07:50", 14, "gear", None, "L312"),
    (0, "18:20", 38, "spring", None, "L211"),
    (1, "11:05", 25, "dial", None, "L418"),
    (1, "15:10", 8, "test", None, "L602"),
    (2, "16:40", 11, "cap", None, "L506"),
)
SPOON_SLOW = (
    (0, "19:00", 180, "press", 0.12),
    (1, "06:30", 150, "robA", 0.17),
    (1, "23:00", 120, "clean", 0.45),
    (2, "15:30", 150, "robB", 0.20),
    (2, "23:30", 60, "gauge", 0.30),
)
TIMER_SLOW = (
    (0, "09:30", 300, "dial", 0.23),
    (0, "14:30", 300, "spring", 0.21),
    (1, "13:00", 180, "test", 0.15),
    (2, "18:00", 120, "cap", 0.20),
)
SPOON_EMERGENCY = ((0, "17:25", 6.5), (2, "16:10", 4.0))
TIMER_EMERGENCY = ((1, "17:50", 5.0),)
POWER_CUT = (1, "16:10", 22.0, 3.0)  # minutes silent, then minutes until somebody restarts (spoon)
HOST_OUTAGE = (1, "12:00", 60)
BOWL_DRY = ((0, "14:30", 15, "bowl2"), (1, "02:25", 44, "bowl1"), (2, "20:10", 12, "bowl3"))
FRAMES_OUT = ((0, "20:40", 12), (1, "08:30", 7))
TRAYS_GONE = ((0, "12:45", 45), (2, "17:15", 90))
SPOON_BURST = ((0, "19:20", 25, 0.25),)
TIMER_BURST = ((1, "10:00", 20, 0.20),)
GAUGE_DRIFT = (1, "15:00", 390)
GAUGE_UPDATE = (1, "06:30")
NO_ORDER = {"spoon": ((1, "18:40", 40),), "timer": ((1, "17:30", 35),)}
MAINTENANCE = {"spoon": (1, "13:00", 30), "timer": (0, "15:30", 40)}  # spoon's is in the host, timer's in plant.toml

# Chance per cycle of a short stop with an alarm and of one without.
SHORT_STOPS: dict[str, tuple[float, float]] = {
    "press": (0.0056, 0.0046),
    "robA": (0.0035, 0.0039),
    "robB": (0.0028, 0.0039),
    "clean": (0.0014, 0.0008),
    "gauge": (0.0021, 0.0013),
    "cam": (0.0028, 0.0),
    "tray": (0.0011, 0.0),
    "bowl1": (0.0056, 0.0),
    "bowl2": (0.0084, 0.0),
    "bowl3": (0.0056, 0.0),
    "frame": (0.0056, 0.0039),
    "spring": (0.0084, 0.0052),
    "gear": (0.0070, 0.0039),
    "dial": (0.0056, 0.0052),
    "cap": (0.0028, 0.0026),
    "test": (0.0042, 0.0039),
}
SLOW_CAP_MS = 2900
CALM_MS = 5 * MINUTE  # no short stop so long before a planted one, so that each stands alone


@dataclass(frozen=True, slots=True)
class Stop:
    """A stop of a lane's own within a cycle; code None: nothing is logged."""

    ms: int
    code: str | None
    text: str


@dataclass(frozen=True, slots=True)
class Breakdown:
    """A planted stop with an alarm, at a fixed time; nest None: all nests."""

    start: int
    end: int
    station: str
    nest: str | None
    alarm: cat.Alarm

    def holds(self, lane: Lane) -> bool:
        """Tell whether this lane stands."""
        return lane[0] == self.station and self.nest in (None, lane[1])

    def outside(self, until: int, before: Trace | None = None) -> Outside:
        """Return what waiting for its end, or for what people did meanwhile, is charged to."""
        return Outside(self.start, until, self.station, "breakdown", self.alarm.code, before)


class Times:
    """Turns (day, wall clock, minutes) of the three-day pattern into spans of a window of any length."""

    def __init__(self, window: Window, rng: random.Random, exact: bool) -> None:
        self.window, self.rng, self.exact = window, rng, exact

    def spans(self, day: int, clock: str, minutes: float) -> list[tuple[int, int]]:
        """Return [start, end) for every third day; copies and later days are moved by up to 7 minutes."""
        found = []
        for i in range(day, self.window.days, 3):
            move = 0 if self.exact and i < 3 else self.rng.randrange(-7 * MINUTE, 7 * MINUTE)
            start = self.window.at(i, clock) + move + 137  # never on a full second
            found.append((start, start + int(minutes * MINUTE)))
        return found


class Scenario:
    """What goes wrong in one cell."""

    def __init__(self, window: Window, kind: str, name: str, how: Run, first: bool) -> None:
        rng = random.Random(f"{how.seed}-{name}-scenario")
        self.left_out = how.without
        times = Times(window, rng, first)
        spoon = kind == "spoon"
        self.chances = Chances(f"{how.seed}-{name}-stops", how.apart)
        self.alarms = {a.code: a for a in (*cat.CELL_ALARMS, *(cat.SPOON_ALARMS if spoon else cat.TIMER_ALARMS))}
        self.breakdowns = [
            Breakdown(a, b, station, nest, self.alarms[code])
            for day, clock, minutes, station, nest, code in (SPOON_BREAKDOWNS if spoon else TIMER_BREAKDOWNS)
            for a, b in times.spans(day, clock, minutes)
        ]
        self.slow = [
            (station, a, b, extra)
            for day, clock, minutes, station, extra in (SPOON_SLOW if spoon else TIMER_SLOW)
            for a, b in times.spans(day, clock, minutes)
        ]
        self.emergency = _all(times, SPOON_EMERGENCY if spoon else TIMER_EMERGENCY)
        self.power: list[tuple[int, int, int]] = []  # cut, boot, restart
        if spoon:
            day, clock, silent_for, wait = POWER_CUT
            self.power = [(a, b, b + int(wait * MINUTE)) for a, b in times.spans(day, clock, silent_for)]
        self.frozen = [*self.emergency, *((cut, restart) for cut, _, restart in self.power)]
        self.dry = [
            (bowl, a, b)
            for day, clock, minutes, bowl in (BOWL_DRY if spoon else ())
            for a, b in times.spans(day, clock, minutes)
        ]
        self.frames_out = [] if spoon else _all(times, FRAMES_OUT)
        self.trays_gone = _all(times, TRAYS_GONE) if spoon else []
        self.burst = [
            (a, b, share)
            for day, clock, minutes, share in (SPOON_BURST if spoon else TIMER_BURST)
            for a, b in times.spans(day, clock, minutes)
        ]
        self.drift = times.spans(*GAUGE_DRIFT) if spoon else []
        self.no_order = _all(times, NO_ORDER[kind])
        day, clock, minutes = MAINTENANCE[kind]
        starts = [window.at(d, clock) for d in range(day, window.days, 3)]
        self.maintenance = [(start, start + minutes * MINUTE) for start in starts]
        self._hard = sorted(a for a, *_ in [*self.frozen, *((b.start, b.end) for b in self.breakdowns)])
        self.breakdowns = [b for b in self.breakdowns if not self.without(BREAKDOWNS, b.station)]
        self.dry = [d for d in self.dry if not self.without(DRY, d[0])]
        self.frames_out = [] if self.without(DRY, "frame") else self.frames_out

    def without(self, kind: str, station: str | None = None) -> bool:
        """Tell whether the run is without this loss."""
        return Loss(kind, station) in self.left_out

    def extra(self, station: str, t: int) -> float:
        """Return by which share the station is slower at t."""
        return next((x for s, a, b, x in self.slow if s == station and a <= t < b), 0.0)

    def burst_share(self, t: int) -> float:
        """Return the share of rejects that a burst adds at t."""
        return next((share for a, b, share in self.burst if a <= t < b), 0.0)

    def drift_share(self, t: int) -> float:
        """Return by which share of the tolerance the gauge has drifted at t."""
        return next((0.85 * (t - a) / (b - a) for a, b in self.drift if a <= t < b), 0.0)

    def draw(self, station: str, t: int, silent: bool) -> Stop | None:
        """Return the short stop that this cycle of the station suffers, if any; `silent`: one without alarm may be."""
        with_alarm, without = SHORT_STOPS[station]
        rng = self.chances.of(station)
        roll = rng.random()
        if roll >= with_alarm + without:
            return None
        i = bisect_right(self._hard, t)
        if i < len(self._hard) and self._hard[i] - t < CALM_MS:
            return None
        if roll < with_alarm:
            options = [a for a in self.alarms.values() if a.station == station and a.line == "breakdown"]
            alarm = options[rng.randrange(min(2, len(options)))]
            ms = int(1000 * min(170.0, max(5.5, rng.lognormvariate(math.log(19), 0.8))))
            if self.without(SHORT_ALARM, station):
                return None
            return Stop(ms + 4000 if 58_000 < ms < 62_000 else ms, alarm.code, alarm.text)
        if not silent or self.extra(station, t) or self.without(SHORT_SILENT, station):
            return None
        ms = int(1000 * min(45.0, max(6.5, rng.lognormvariate(math.log(11), 0.6))))
        return Stop(ms, None, "")


def _all(times: Times, pattern: tuple[tuple[int, str, float], ...]) -> list[tuple[int, int]]:
    return [span for when in pattern for span in times.spans(*when)]


def host_outage(window: Window) -> list[tuple[int, int]]:
    """Return the times in which the host wrote nothing."""
    day, clock, minutes = HOST_OUTAGE
    return [(window.at(d, clock), window.at(d, clock) + minutes * MINUTE) for d in range(day, window.days, 3)]


def manned(window: Window, t: int) -> bool:
    """Tell whether people are in the hall: 06:00 to 22:00 local."""
    return 6 <= window.local(t).hour < 22


def manned_for(window: Window, t: int, hours: float) -> bool:
    """Tell whether people stay for so many hours from t."""
    return manned(window, t) and manned(window, t + int(hours * HOUR))
