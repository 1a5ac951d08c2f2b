"""Model of the measuring-spoon cell: feeders, camera, two robots, a press with two nests, brush, gauge and trays."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable

import simpy

from sample_logs.generator import catalogue as cat
from sample_logs.generator import spoon_words as words
from sample_logs.generator.calendar import MINUTE, Window
from sample_logs.generator.chances import REJECTS, Run
from sample_logs.generator.kit import Cell, Proc
from sample_logs.generator.records import Hold, Part, Span
from sample_logs.generator.scenario import Breakdown, Lane, manned
from sample_logs.generator.spoon_feed import Feed
from sample_logs.generator.spoon_press import Press
from sample_logs.generator.spoon_trays import Trays
from sample_logs.generator.watch import Outside, Trace, Waiting

ROBA: Lane = ("robA", None)
ROBB: Lane = ("robB", None)
CAM: Lane = ("cam", None)
PASS: Lane = ("pass", None)
CLEAN: Lane = ("clean", None)
GAUGE: Lane = ("gauge", None)
LANES: tuple[Lane, ...] = (
    ("bowl1", None), ("bowl2", None), ("bowl3", None), ("hand", None), CAM, ROBA,
    ("press", "1"), ("press", "2"), PASS, ROBB, CLEAN, GAUGE, ("tray", None),
)  # fmt: skip

# Steps of the robots in ms of a planned cycle of robA 9000 and robB 9300; other products scale with their cycle.
FETCH, EXCHANGE, PLACE, DROP_A, LOAD, UNLOAD = 3280, 3050, 2670, 2000, 2500, 2400
TAKE, TO_BRUSH, INSERT, DROP_B = 2050, 400, 850, 1500  # and PUT, see spoon_trays


class SpoonCell(Cell):
    """The robot cell. A set is one spoon of each size; a reject is replaced by another of its size."""

    kind = "spoon"
    unit = "sets"
    order_plan = (
        ("aqua", 430), ("dune", 130), ("birch", 560), ("coral", 560), ("ember", 60),
        ("aqua", 560), ("coral", 330), ("dune", 110), ("birch", 420),
    )  # fmt: skip
    filler = 150

    def __init__(self, env: simpy.Environment, window: Window, name: str, copy: int, how: Run) -> None:
        super().__init__(env, window, name, copy, how)
        self.products = {made.name: made for made in cat.SPOON_SETS}
        self.robots = cat.copy_name("robots", copy)
        self.press_log = cat.copy_name("press", copy)
        self.plc = cat.copy_name("cellplc", copy)
        self.gauge_log = cat.copy_name("gauge", copy)
        self.queue: deque[str] = deque()  # sizes still to feed
        self.again: deque[str] = deque()  # replacements
        self.on_pass: tuple[Part, int] | None = None
        self.taking = False
        self.hung: set[Lane] = set()  # robots that hung in silence in this cycle
        self.last_end: dict[Lane, int] = {ROBA: 0, ROBB: 0}
        self.waiting: dict[Lane, tuple[str, int]] = {}
        self.refill: set[Lane] = set()  # robots that have not seen a part of the new product yet
        self.at_clean = False
        self.feed, self.press, self.trays = Feed(self), Press(self), Trays(self)

    def start(self) -> None:
        """Start all processes."""
        self.say_boot()
        self.run_shared(list(LANES))
        self.feed.start()
        self.spawn(self.rob_a())
        self.robot_b = self.spawn(self.rob_b())
        for process in (self.trays.supply(), self.warnings()):
            self.spawn(process)

    def warnings(self) -> Proc:
        """Raise a warning that stops nothing, once a day."""
        for day in range(self.window.days):
            yield from self.until(self.window.at(day, "13:45"))
            self.say(self.plc, "CAM;ALARM_ON;W900;;;;Lampe bald prüfen", 1)
            yield from self.until(self.now + 20 * MINUTE)
            self.say(self.plc, "CAM;ALARM_OFF;W900;;;;", 1)

    def close(self) -> None:
        """Write down the waits and places that are still open when the window ends."""
        end = self.window.end
        for unit in (self.feed, self.press, self.trays):
            unit.close()
        for lane, (why, since) in self.waiting.items():
            self.rec.waits.append(Span(lane, since, end, words.WAITS[why], why))
        if self.on_pass:
            self.rec.holds.append(Hold(PASS, self.on_pass[1], end, self.on_pass[0]))

    # --- orders ---------------------------------------------------------------------------------------------------

    def load_order(self, made: cat.SetProduct, quantity: int) -> None:
        """Queue the members of the sets, size after size."""
        self.queue.extend(cat.SIZES * quantity)
        self.trays.bring()

    def all_fed(self) -> bool:
        """Tell whether nothing is left to feed."""
        return not self.queue and not self.again

    def take_member(self) -> str:
        """Return the size to feed next."""
        self.inside += 1
        return self.again.popleft() if self.again else self.queue.popleft()

    def changing(self, made: cat.SetProduct) -> None:
        """Send the half-full tray away; the robots wait for the change."""
        self.trays.change()
        self.refill = {ROBA, ROBB}
        self.tell()

    def lose(self, part: Part, station: str, cause: str, outcome: str = "reject") -> None:
        """Take a part out of the flow; another of its size is needed."""
        part.outcome, part.done, part.bad_at, part.cause = outcome, self.now, station, cause
        self.inside -= 1
        self.again.append(part.member)
        self.tell()

    # --- robots ---------------------------------------------------------------------------------------------------

    def say_robot(self, body: str, events: int) -> None:
        """Write a line of the robots' log."""
        self.say(self.robots, body, events)

    def wait_begin(self, lane: Lane, why: str) -> None:
        """Log that a robot waits."""
        self.waiting[lane] = (why, self.now)
        self.say_robot(f"{words.UNIT[lane[0]]} waits for {why}", 1)

    def wait_end(self, lane: Lane) -> None:
        """Log that it goes on."""
        why, since = self.waiting.pop(lane)
        self.rec.waits.append(Span(lane, since, self.now, words.WAITS[why], why))
        self.say_robot(f"{words.UNIT[lane[0]]} goes on", 1)

    def robot_wait(self, lane: Lane, ready: Callable[[], bool], why: Callable[[], str]) -> Proc:
        """Wait, with lines for it, until something holds, the cell is not paused and the robot not down."""
        wait = Waiting(self, ready, lane)
        while True:
            good = ready()
            reason = "PAUSE" if good and self.paused and not self.halted else why()
            if good and not self.paused:
                thaw = self.lane_frozen[lane].until(self.now)
                if thaw == self.now:
                    break
                wait.look()
                yield from self.until(thaw)
                continue
            if self.frozen.until(self.now) == self.now:
                if lane in self.waiting and self.waiting[lane][0] != reason:
                    self.wait_end(lane)
                if lane not in self.waiting:
                    self.wait_begin(lane, reason)
            yield from wait.pulse()
        wait.over()
        if lane in self.waiting:
            self.wait_end(lane)

    def idle_word(self, lane: Lane, usual: str) -> str:
        """Return what a robot without work waits for."""
        if self.empty_book and self.drained():
            return "ORDER"
        return "CHANGE" if lane in self.refill else usual

    def move(self, lane: Lane, ms: int, whole: bool = False) -> Proc:
        """Make a robot's step; `whole`: of a full cycle, so that a silent stop would show."""
        assert self.made is not None
        scale = self.made.cycle_ms[lane[0]] / (9000 if lane is ROBA else 9300)
        planned = int(ms * scale)
        ms = self.natural(lane[0], planned)
        yield from self.may_hang(lane, self.step(lane, ms, planned, draw=whole, silent=lane not in self.hung))

    def may_hang(self, lane: Lane, step: Proc) -> Proc:
        """Make a step; note when it hung in silence: once in a robot's cycle is enough to be told from its length."""
        before = len(self.rec.stops)
        yield from step
        if any(not stop.alarm for stop in self.rec.stops[before:] if stop.lane == lane):
            self.hung.add(lane)

    def robot_cycle(self, lane: Lane, part: Part) -> None:
        """End a robot's cycle."""
        cycle = self.begin(lane, part, self.products[part.of].cycle_ms[lane[0]])
        cycle.start, cycle.end = self.last_end[lane], self.now
        self.hung.discard(lane)
        self.last_end[lane] = self.now

    def rob_a(self) -> Proc:
        """Fetch raw parts, exchange them at a nest, place what is finished."""
        feed, press = self.feed, self.press
        while True:
            yield from self.robot_wait(
                ROBA,
                lambda: feed.shown is not None or (press.finished() is not None and not feed.more_coming()),
                lambda: "PRESS" if press.pressing() and not feed.more_coming() else self.idle_word(ROBA, "PART"),
            )
            if feed.shown is None:
                nest = press.finished()
                assert nest is not None
                yield from self.move(ROBA, UNLOAD)
                done = press.take_out(nest)
                self.say_robot(f"R1 UNLOAD done nest {nest.name} out {done.name}", 2)
                yield from self.rob_a_away(done)
                continue
            self.refill.discard(ROBA)
            yield from self.move(ROBA, FETCH)
            raw = feed.fetched()
            self.say_robot(f"R1 FETCH done part {raw.name} from CAM", 2)
            yield from self.robot_wait(ROBA, lambda: press.next_nest() is not None, lambda: "PRESS")
            nest = press.next_nest()
            assert nest is not None
            if nest.part is None:
                yield from self.move(ROBA, LOAD)
                self.say_robot(f"R1 LOAD done nest {nest.name} in {raw.name}", 3)
                self.robot_cycle(ROBA, raw)
                self.spawn(press.cycle(nest, raw))
            else:
                yield from self.move(ROBA, EXCHANGE, whole=True)
                done = press.take_out(nest)
                self.say_robot(f"R1 EXCHANGE done nest {nest.name} in {raw.name} out {done.name}", 3)
                self.spawn(press.cycle(nest, raw))
                yield from self.rob_a_away(done)

    def rob_a_away(self, part: Part) -> Proc:
        """Place a finished part on the hand-over place, or drop a reject."""
        if part.bad_at == "press":
            yield from self.move(ROBA, DROP_A)
            self.say_robot(f"R1 DROP done part {part.name} chute A", 2)
            self.robot_cycle(ROBA, part)
            self.lose(part, "press", part.cause or "")
            return
        yield from self.robot_wait(ROBA, lambda: self.on_pass is None, lambda: "PASS")
        yield from self.move(ROBA, PLACE, whole=True)
        self.on_pass = (part, self.now)
        self.say_robot(f"R1 PLACE done part {part.name} on PASS", 3)
        self.robot_cycle(ROBA, part)
        self.tell()

    def rob_b(self) -> Proc:
        """Take from the hand-over place, brush, gauge, put into the tray."""
        while True:
            yield from self.robot_wait(ROBB, lambda: self.on_pass is not None, lambda: self.idle_word(ROBB, "PART"))
            self.refill.discard(ROBB)
            self.taking = True
            yield from self.move(ROBB, TAKE)
            assert self.on_pass is not None
            part, since = self.on_pass
            self.on_pass, self.taking = None, False
            self.rec.holds.append(Hold(PASS, since, self.now, part))
            self.say_robot(f"R2 TAKE done part {part.name} from PASS", 2)
            self.tell()
            yield from self.brush(part)
            yield from self.robot_wait(ROBB, lambda: GAUGE not in self.alarmed, lambda: "GAUGE")
            yield from self.move(ROBB, INSERT)
            self.say_robot(f"R2 INSERT done part {part.name} in GAUGE", 2)
            yield from self.gauge(part)
            if part.bad_at == "gauge":
                yield from self.move(ROBB, DROP_B)
                self.say_robot(f"R2 DROP done part {part.name} chute B", 2)
                self.robot_cycle(ROBB, part)
                self.lose(part, "gauge", part.cause or "")
                continue
            yield from self.trays.put(part)

    def brush(self, part: Part) -> Proc:
        """Hold the part in the brush; the robots' log tells of it."""
        yield from self.robot_wait(ROBB, lambda: CLEAN not in self.alarmed, lambda: "BRUSH")
        yield from self.move(ROBB, TO_BRUSH)
        planned = self.products[part.of].cycle_ms["clean"]
        yield from self.robot_wait(ROBB, lambda: CLEAN not in self.alarmed, lambda: "BRUSH")
        self.say_robot(f"R2 BRUSH begin part {part.name}", 1)
        cycle = self.begin(CLEAN, part, planned)
        self.at_clean = True
        before = len(self.rec.stops)
        yield from self.step(CLEAN, self.natural("clean", planned), planned, silent=ROBB not in self.hung)
        self.at_clean = False
        for stop in self.rec.stops[before:]:  # the robot holds the part: it stands as well
            if stop.lane == CLEAN and not stop.alarm:
                self.rec.stops.append(Span(ROBB, stop.start, stop.end, None, "silent"))
                self.hung.add(ROBB)
        cycle.end = self.now
        self.say_robot(f"R2 BRUSH end part {part.name}", 3)

    def attended_by(self, lane: Lane, on: bool) -> None:
        """Let robot B wait, with a line, while the brush that holds its part stands."""
        if lane == CLEAN and self.at_clean:
            if on:
                self.wait_begin(ROBB, "BRUSH")
            elif ROBB in self.waiting:
                self.wait_end(ROBB)

    def gauge(self, part: Part) -> Proc:
        """Measure the volume; robot B waits for it, and says so when it takes long."""
        planned = self.products[part.of].cycle_ms["gauge"]
        cycle = self.begin(GAUGE, part, planned)
        patience = self.spawn(self._impatient(cycle.start + 2500))
        yield from self.step(GAUGE, self.natural("gauge", planned), planned)
        cycle.end = self.now
        nominal = cat.VOLUME_ML[part.member]
        error = self.chances.of("volume").gauss(0.02, 0.26) + self.scenario.drift_share(self.now)
        value = round(nominal * (1 + cat.TOLERANCE * error), 4)
        low, high = nominal * (1 - cat.TOLERANCE), nominal * (1 + cat.TOLERANCE)
        if not low <= value <= high and not self.scenario.without(REJECTS, "gauge"):
            part.bad_at, part.cause = "gauge", "volume_low" if value < low else "volume_high"
        self.say(self.gauge_log, words.measured(cycle.end - cycle.start, value, part), 4)
        if patience.is_alive:
            patience.interrupt()
        if ROBB in self.waiting:
            self.wait_end(ROBB)

    def _impatient(self, at: int) -> Proc:
        try:
            yield from self.until(self.frozen.advance(self.now, at - self.now))
            self.wait_begin(ROBB, "GAUGE")
        except simpy.Interrupt:
            return

    # --- the whole cell ---------------------------------------------------------------------------------------------

    def in_emergency(self, end: int) -> Proc:
        """Clear the hand-over place while the cell stands."""
        began, at = self.now, min(end - 5000, self.now + 70_000)
        yield from self.clear_pass(at, Outside(began, at, None, "safety_stop", "E001", self.holder()))

    def in_breakdown(self, planned: Breakdown) -> Proc:
        """Clear the hand-over place while robot B is repaired."""
        if planned.station == "robB" and manned(self.window, planned.start):
            at = (planned.start + planned.end) // 2
            yield from self.clear_pass(at, planned.outside(at, self.holder()))

    def holder(self) -> Trace | None:
        """Return the process of robot B, for which a wait at the hand-over place is before anybody clears it."""
        return self.watch.traces.get(self.robot_b)

    def clear_pass(self, at: int, why: Outside) -> Proc:
        """Take the part out of the hand-over place by hand, if robot B has not got hold of it."""
        yield from self.until(at)
        self.watch.add(why)
        if self.on_pass and not self.taking:
            part, since = self.on_pass
            self.on_pass = None
            self.rec.holds.append(Hold(PASS, since, self.now, part))
            self.say(self.plc, f"PASS;REMOVED;;{part.name};{part.product};;taken out by hand", 2)
            self.lose(part, "pass", "removed", "removed")

    def say_mode(self, mode: str) -> None:
        """Log the cell's mode."""
        self.say(self.plc, f"CELL;MODE;;;;;{mode}", 1)

    def say_alarm(self, lane: Lane | None, code: str, text: str, on: bool) -> None:
        """Log an alarm in the log of the controller that sees it."""
        station = lane[0] if lane else "cell"
        if station in words.UNIT:
            unit = words.UNIT[station]
            self.say_robot(f"{unit} ALARM {code} ON {text}" if on else f"{unit} ALARM {code} OFF", 1)
        elif station == "press":
            nest = lane[1] if lane and lane[1] else "0"
            said = f' text="{text}"' if on else ""
            self.say(self.press_log, f"ev=alarm_{'on' if on else 'off'} nest={nest} code={code}{said}", 1)
        elif station == "gauge":
            self.say(self.gauge_log, words.gauge_alarm(code, text, on), 1)
        else:
            event = "ALARM_ON" if on else "ALARM_OFF"
            self.say(self.plc, f"{station.upper()};{event};{code};;;;{text if on else ''}", 1)

    def say_boot(self) -> None:
        """Log the start of all controllers, and what still holds."""
        self.say(self.plc, "CELL;BOOT;;;;;", 0)
        self.say(self.press_log, 'ev=boot text="press control 2.8"', 0)
        self.say(self.gauge_log, '"msg":"boot"', 0)
        self.say_robot("-- controller started SPOON_MAIN v4", 0)
        for lane, (why, _) in self.waiting.items():
            self.say_robot(f"{words.UNIT[lane[0]]} waits for {why}", 1)
        self.feed.say_states()
