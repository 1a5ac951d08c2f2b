"""What every cell model shares: modes, breaks, orders, steps with their losses, and the writing down."""

from __future__ import annotations

import simpy

from sample_logs.generator import catalogue as cat
from sample_logs.generator import scenario as sc
from sample_logs.generator.calendar import MINUTE, Frozen, Shift, Window, shifts
from sample_logs.generator.chances import SETUP, SLOW, Chances, Lateness, Run
from sample_logs.generator.reasons import type_reason
from sample_logs.generator.records import Cycle, Order, Part, Records, Span
from sample_logs.generator.running import Proc, Running
from sample_logs.generator.scenario import Lane
from sample_logs.generator.watch import STOP, Outside

NO_ALARM = "no alarm"


class Cell(Running):
    """A cell that runs: subclasses add the stations. All times are integer ms from the window's start."""

    kind = ""
    control = ""  # source that reports for the whole cell

    def __init__(self, env: simpy.Environment, window: Window, name: str, copy: int, how: Run) -> None:
        super().__init__(env, how.watched)
        self.window, self.name, self.copy = window, name, copy
        self.chances = Chances(f"{how.seed}-{name}", how.apart)
        self.scenario = sc.Scenario(window, self.kind, name, how, first=copy == 0)
        self.told_orders = how.orders
        self.late = Lateness(how)
        self.rec = Records()
        self.frozen = Frozen(self.scenario.frozen)
        self.dead = [(cut, boot) for cut, boot, _ in self.scenario.power]
        self.shifts: list[Shift] = shifts(window, self.kind)
        self.products: dict[str, cat.SetProduct] = {}
        self.order: Order | None = None
        self.made: cat.SetProduct | None = None  # what is running
        self.empty_book = False
        self.start_up_left = 0
        self.alarmed: dict[Lane, str] = {}
        self.open_cycles: dict[Lane, Cycle] = {}
        self.inside = 0
        self.serial = 0
        self.order_count = 0

    def freeze_lanes(self, lanes: list[Lane]) -> None:
        """Give each lane its own frozen times: those of the cell and its planted breakdowns."""
        for lane in lanes:
            own = [(b.start, b.end) for b in self.scenario.breakdowns if b.holds(lane)]
            self.lane_frozen[lane] = Frozen([*self.frozen.spans, *own])

    # --- writing down -----------------------------------------------------------------------------------------

    def say(self, source: str, body: str, events: int) -> None:
        """Write one line of a log; `events`: how many events it gives."""
        for cut, boot in self.dead:
            if cut <= self.now < boot:
                raise RuntimeError(f"{self.name}: '{source}' cannot write without power at {self.now}: {body}")
        self.rec.lines.setdefault(source, []).append((self.now, body, events))

    def begin(self, lane: Lane, part: Part, planned: int) -> Cycle:
        """Begin a cycle."""
        cycle = Cycle(lane, self.now, None, part, planned)
        self.rec.cycles.append(cycle)
        return cycle

    # --- what the subclass says in its own dialect ---------------------------------------------------------------

    def say_mode(self, mode: str) -> None:
        """Log the cell's mode."""
        raise NotImplementedError

    def say_alarm(self, lane: Lane | None, code: str, text: str, on: bool) -> None:
        """Log an alarm; lane None: of the whole cell."""
        raise NotImplementedError

    def say_boot(self) -> None:
        """Log what the controllers write after power came back, without mode."""
        raise NotImplementedError

    def attended_by(self, lane: Lane, on: bool) -> None:
        """Do what the alarm of a lane means for the one who attends to it. Nothing by default."""

    # --- modes, pauses, halts ------------------------------------------------------------------------------------

    def mode(self) -> None:
        """Log the mode if it changed."""
        mode = self.halted or next(iter(sorted(self.pauses)), "") or ("SETUP" if self.setup else "AUTO")
        if self.rec.modes and self.rec.modes[-1][1] == mode:
            return
        self.rec.modes.append((self.now, mode))
        self.say_mode(mode)
        if mode == "AUTO":
            self.start_up_left = 3
        self.tell()

    def clock(self) -> Proc:
        """Stop and start the cell as the shifts, breaks and planned stops say."""
        steps: list[tuple[int, int, str, bool, bool]] = []  # time, end, word, hand-fed only, restart by a person
        edge = 0
        for shift in self.shifts:
            if shift.start > edge:
                steps.append((edge, shift.start, "OFF", False, False))
            steps += [(b.start, b.end, "PAUSE", b.hand_fed, True) for b in shift.breaks]
            edge = shift.end
        if edge < self.window.end:
            steps.append((edge, self.window.end, "OFF", False, False))
        steps += [(a, b, "PAUSE", False, False) for a, b in self.scenario.maintenance]
        for start, end, word, hand_fed, restart in sorted(steps):
            yield from self.until(start)
            if hand_fed:
                while self.now < end and not self.hand_fed_runs():
                    yield self.pulse | self.env.timeout(end - self.now)
                if self.now >= end:
                    continue
            self.pauses.add(word)
            self.mode()
            began = self.now
            yield from self.until(end)
            self.watch.add(Outside(began, self.now, None, "planned_stop", word))
            if restart:
                yield from self._restart(end)
            self.pauses.discard(word)
            self.mode()

    def hand_fed_runs(self) -> bool:
        """Tell whether an order of a hand-fed product is open."""
        return self.order is not None and self.order.hand_fed and self.order.ended is None

    def _restart(self, end: int) -> Proc:
        """After a break the cell stands until somebody starts it again."""
        late = max(0, int(self.chances.of("restart").gauss(35, 45))) * 1000
        if late >= 5000:
            yield from self.message("C030", end, end + late)

    def message(self, code: str, start: int, end: int) -> Proc:
        """Raise a message of the whole cell until a time."""
        alarm = self.scenario.alarms[code]
        self.say_alarm(None, code, alarm.text, True)
        yield from self.until(end)
        self.watch.add(Outside(start, self.now, None, alarm.line, code))
        self.say_alarm(None, code, alarm.text, False)
        self.rec.whole.append(Span(None, start, end, alarm.line, code, True))

    def emergency(self) -> Proc:
        """Hold the emergency stops."""
        for start, end in self.scenario.emergency:
            yield from self.until(start)
            self.halted = "HAND"
            self.mode()
            self.spawn(self.in_emergency(end))
            yield from self.message("E001", start, end)
            self.halted = ""
            self.mode()

    def in_emergency(self, end: int) -> Proc:
        """Do what people do while the cell stands. Nothing by default."""
        yield from ()

    def in_breakdown(self, planned: sc.Breakdown) -> Proc:
        """Do what people do while a station stands. Nothing by default."""
        yield from ()

    def power(self) -> Proc:
        """Cut the power, boot, and wait for somebody."""
        for cut, boot, restart in self.scenario.power:
            yield from self.until(boot)
            self.rec.whole.append(Span(None, cut, boot, "no_data", "power"))
            self.watch.add(Outside(cut, boot, None, "no_data", "power"))
            self.say_boot()
            self.halted = "OFF"
            self.mode()
            yield from self.message("C030", boot, restart)
            self.halted = ""
            self.mode()

    def breakdown(self, planned: sc.Breakdown, lanes: list[Lane]) -> Proc:
        """Let a planted breakdown happen; the lanes' frozen times know of it already."""
        yield from self.until(planned.start)
        lane: Lane = (planned.station, planned.nest)
        held = [x for x in lanes if planned.holds(x)]
        self.say_alarm(lane, planned.alarm.code, planned.alarm.text, True)
        for one in held:
            self.alarmed[one] = planned.alarm.code
            self.attended_by(one, True)
        self.spawn(self.in_breakdown(planned))
        yield from self.until(planned.end)
        self.watch.add(planned.outside(planned.end))
        self.say_alarm(lane, planned.alarm.code, planned.alarm.text, False)
        for one in held:
            self.alarmed.pop(one, None)
            self.attended_by(one, False)
            self.rec.stops.append(Span(one, planned.start, planned.end, None, planned.alarm.code, True))
        type_reason(self, lane, planned.start, planned.end, planned.alarm.text)
        self.tell()

    # --- steps ------------------------------------------------------------------------------------------------------

    def natural(self, station: str, planned: int, jitter: bool = True) -> int:
        """Return what a step of this planned length takes when nothing is wrong, with a slow hour added."""
        vary = max(-0.03, min(0.03, self.chances.of(f"vary {station}").gauss(0, 0.012))) if jitter else 0.0
        extra = self.scenario.extra(station, self.now)
        slow = min(sc.SLOW_CAP_MS, int(planned * 0.975 * extra))
        usual = int(planned * 0.975 * (1 + vary))
        if self.scenario.without(SLOW, station):  # the loss is what is beyond the plan
            return max(usual, min(usual + slow, planned))
        return usual + slow

    def step(
        self,
        lane: Lane,
        ms: int,
        planned: int | None = None,
        draw: bool = True,
        silent: bool = True,
        doer: str | None = None,
    ) -> Proc:
        """Work for ms; now and then a short stop falls into it. planned, doer: as in `work`."""
        stop = self.scenario.draw(lane[0], self.now, silent) if draw else None
        if stop is None or lane in self.alarmed:
            yield from self.work(lane, ms, planned, doer)
            return
        # What hangs in silence mostly hangs near a step's end, where a sensor should answer.
        rng = self.chances.of(f"where {lane[0]}")
        before = int(ms * (rng.uniform(0.2, 0.8) if stop.code else rng.uniform(0.8, 0.95)))
        yield from self.work(lane, before, planned, doer)
        start = self.now
        if stop.code:
            self.say_alarm(lane, stop.code, stop.text, True)
            self.alarmed[lane] = stop.code
            self.attended_by(lane, True)
        yield from self.work(lane, stop.ms, line=STOP, cause=stop.code or NO_ALARM)
        if stop.code:
            self.say_alarm(lane, stop.code, stop.text, False)
            self.alarmed.pop(lane, None)
            self.attended_by(lane, False)
            if stop.ms > 100_000 and sc.manned(self.window, start):
                type_reason(self, lane, start, self.now, stop.text)
        self.rec.stops.append(Span(lane, start, self.now, None, stop.code or "silent", bool(stop.code)))
        yield from self.work(lane, ms - before, None if planned is None else planned - before, doer)

    def close(self) -> None:
        """Write down what is still open when the window ends. Nothing by default."""

    # --- orders -----------------------------------------------------------------------------------------------------

    order_plan: tuple[tuple[str, int], ...] = ()
    unit = ""

    def orders(self) -> Proc:
        """Work through the order book: changeovers, times without an order, order after order."""
        gaps = list(self.scenario.no_order)
        k = 0
        while True:
            name, quantity = self.order_plan[k % len(self.order_plan)]
            made = self.products[name]
            if gaps and self.now >= gaps[0][0] and self.made:
                start, end = gaps.pop(0)
                yield from self._no_order(end - start)
            if self.order_count < len(self.told_orders):
                name, told = self.told_orders[self.order_count]
                k += (name, told) == (made.name, quantity)
                made, quantity = self.products[name], told
            elif self.made and made is not self.made and not self._people_for(made):
                made, quantity = self.made, self.filler  # a changeover needs people: go on with the same
            else:
                k += 1
            if self.made is not made:
                yield from self._change(made)
            yield from self._run(made, quantity)

    filler = 100

    def _people_for(self, made: cat.SetProduct) -> bool:
        return sc.manned_for(self.window, self.now, 2.0 if made.hand_fed else 0.5)

    def _no_order(self, ms: int) -> Proc:
        self.empty_book = True
        self.tell()
        yield from self.wait_for(self.drained)
        self.close_order()
        yield from self.message("C020", self.now, self.frozen.until(self.now + ms))
        self.empty_book = False
        self.tell()

    def _change(self, made: cat.SetProduct) -> Proc:
        """Drain, set up, and let the new product in."""
        first = self.made is None
        if not first:
            yield from self.wait_for(self.drained)
            self.close_order()
            self.changing(made)
            self.setup = True
            self.mode()
            rng = self.chances.of("setup")
            minutes = rng.uniform(7, 13) if made.hand_fed else rng.uniform(9, 18)
            left = 0 if self.scenario.without(SETUP) else int(minutes * MINUTE)
            while left > 0:  # nobody sets up in a break
                yield from self.wait_for(lambda: not self.pauses)
                slice_ms = min(left, MINUTE)
                yield from self.work(None, slice_ms, line="changeover")
                left -= slice_ms
            yield from self.wait_for(lambda: not self.pauses)
        self.made = made
        self.setup = False
        self.mode()
        self.tell()

    def close_order(self) -> None:
        """End the running order now."""
        if self.order and self.order.ended is None:
            self.order.ended = self.now

    def _run(self, made: cat.SetProduct, quantity: int) -> Proc:
        self.close_order()
        self.order_count += 1
        number = f"{26100 + self.order_count}-{self.name}"
        self.order = Order(number, self.name, made.name, quantity, made.hand_fed, self.now)
        self.rec.orders.append(self.order)
        self.load_order(made, quantity)
        self.tell()
        yield from self.wait_for(self.all_fed)

    def changing(self, made: cat.SetProduct) -> None:
        """Prepare the stations for a changeover. Nothing by default."""

    def load_order(self, made: cat.SetProduct, quantity: int) -> None:
        """Put an order's parts in the queue."""
        raise NotImplementedError

    def all_fed(self) -> bool:
        """Tell whether nothing is left to feed."""
        raise NotImplementedError

    def drained(self) -> bool:
        """Tell whether the cell is empty and nothing is left to feed."""
        return self.all_fed() and self.inside == 0

    def run_shared(self, lanes: list[Lane]) -> None:
        """Start what every cell has."""
        self.freeze_lanes(lanes)
        for process in (self.clock(), self.emergency(), self.power(), self.orders()):
            self.spawn(process)
        for planned in self.scenario.breakdowns:
            self.spawn(self.breakdown(planned, lanes))
