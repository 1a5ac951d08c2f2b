"""Robotic cells of two machines, written down as the logs they would leave. No test lives here.

Input, machine 1, machine 2, output stand in a line, `travel` seconds apart; taking and placing take `load` seconds.
S1 and S2 are the two one-unit cycles of Sethi, Sriskandarajah, Sorger, Blazewicz & Kubiak 1992: S1 serves one part from
the input to the output, S2 serves machine 2 and then machine 1 while the other works. A robot with two grippers swaps
parts at each machine. Steps are stamped at their ends; where the robot waits for a machine it says so, and when it
goes on.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, Literal

import numpy as np
import polars as pl

from analytics.cell import Cell
from tests.logs import cell
from tests.reference.lines import Made, all_day, written

PLACE = {"in": 0, "m1": 1, "m2": 2, "out": 3}
Pattern = Literal["s1", "s2", "dual"]


@dataclass
class _Robot:
    """The robot, the machines' clocks, and what all of them have written so far."""

    load: float
    travel: float
    process: dict[str, float]
    now: float = 0.0
    here: str = "in"
    ready: dict[str, float] = field(default_factory=dict)
    holds: dict[str, int] = field(default_factory=dict)
    rows: list[dict[str, Any]] = field(default_factory=list)
    left: list[float] = field(default_factory=list)
    waited: dict[str, float] = field(default_factory=dict)

    def say(self, s: float, kind: str, station: str, part: int | None = None, **more: str) -> None:
        self.rows.append(
            {"s": s, "kind": kind, "station": station, "part": None if part is None else f"P{part:05d}", **more}
        )

    def go(self, to: str) -> None:
        self.now += self.travel * abs(PLACE[to] - PLACE[self.here])
        self.here = to

    def take(self, place: str, part: int) -> None:
        """Go to a place, wait for the part if it is under work, and take it."""
        self.go(place)
        ready = self.ready.get(place, 0.0)
        if ready > self.now:
            self.say(self.now, "state", "rob", state="starved", at=place)
            self.say(ready, "state", "rob", state="running")
            self.waited[place] = self.waited.get(place, 0.0) + ready - self.now
            self.now = ready
        self.now += self.load
        self.say(self.now, "step_end", "rob", part, step=f"take_{place}", at=place)
        self.say(self.now, "part_out", place, part)
        self.holds.pop(place, None)
        if place == "in":
            self.say(self.now, "part_in", "in", part + 1)

    def put(self, place: str, part: int, switch: float = 0.0) -> None:
        """Go to a place, put the part down; a machine begins at once."""
        self.go(place)
        self.now += switch + self.load
        self.say(self.now, "step_end", "rob", part, step=f"put_{place}", at=place)
        self.say(self.now, "part_in", place, part)
        if place == "out":
            self.say(self.now, "part_out", "out", part)
            self.left.append(self.now)
        else:
            self.holds[place] = part
            self.ready[place] = self.now + self.process[place]
            self.say(self.now, "cycle_start", place, part)
            self.say(self.ready[place], "cycle_end", place, part)

    def turn_done(self) -> None:
        self.say(self.now, "cycle_end", "rob")


def robot_cell(
    pattern: Pattern, *, load: float, travel: float, p1: float, p2: float, parts: int, switch: float = 0.0
) -> Made:
    """Write the log of a robot that follows one of the patterns, from an empty cell on."""
    robot = _Robot(load, travel, {"m1": p1, "m2": p2})
    robot.say(0.0, "part_in", "in", 0)
    for k in range(parts):
        if pattern == "s1":
            for source, target in (("in", "m1"), ("m1", "m2"), ("m2", "out")):
                robot.take(source, k)
                robot.put(target, k)
        elif pattern == "s2":
            robot.take("in", k)
            robot.put("m1", k)
            if "m2" in robot.holds:
                done = robot.holds["m2"]
                robot.take("m2", done)
                robot.put("out", done)
            robot.take("m1", k)
            robot.put("m2", k)
        else:
            robot.take("in", k)
            held = k
            for machine in ("m1", "m2"):
                done = robot.holds.get(machine, -1)
                if done >= 0:
                    robot.take(machine, done)
                else:
                    robot.go(machine)
                if held >= 0:
                    robot.put(machine, held, switch)
                held = done
            if held >= 0:
                robot.put("out", held)
        robot.turn_done()
        robot.go("in")
    cycle = {
        "s1": 6 * load + 6 * travel + p1 + p2,
        "s2": 4 * load + 4 * travel + max(2 * load + 4 * travel, p1, p2),
        # Three circuits: the robot's whole round, and each machine's own (work, then take, switch, put).
        "dual": max(6 * load + 6 * travel + 2 * switch, p1 + 2 * load + switch, p2 + 2 * load + switch),
    }[pattern]
    events = written([pl.DataFrame(robot.rows, infer_schema_length=None)])
    own = {"s1": 6 * travel, "s2": 8 * travel, "dual": 6 * travel + 2 * switch}[pattern] + 6 * load
    made = Made(_model(p1, p2, cycle, own), all_day(), events, np.asarray(robot.left), {"cycle_s": cycle})
    made.facts.update({f"waited_{place}_s": s for place, s in robot.waited.items()})
    return made


def _model(p1: float, p2: float, cycle: float, robot_s: float) -> Cell:
    return cell(
        outlet="out", silent_stop_s=5,
        stations=[
            {"name": "in", "kind": "feeder"},
            {"name": "rob", "kind": "robot", "from": ["in", "m1", "m2"]},
            {"name": "m1", "kind": "machine", "from": ["rob"]},
            {"name": "m2", "kind": "machine", "from": ["rob"]},
            {"name": "out", "kind": "carrier", "from": ["rob"]},
        ],
        products=[{"name": "dish", "takt_s": cycle, "cycle_s": {"rob": robot_s, "m1": p1, "m2": p2}}],
    )  # fmt: skip
