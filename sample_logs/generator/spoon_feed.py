"""The feeding side of the spoon cell: three bowls, the hand place, and the camera that gives each part its number."""

from __future__ import annotations

from collections import deque
from typing import TYPE_CHECKING

from sample_logs.generator import spoon_words as words
from sample_logs.generator.calendar import MINUTE
from sample_logs.generator.chances import REJECTS
from sample_logs.generator.kit import Proc
from sample_logs.generator.records import Hold, Part, Span
from sample_logs.generator.scenario import Lane, manned
from sample_logs.generator.watch import Outside, Waiting

if TYPE_CHECKING:
    from sample_logs.generator.spoon import SpoonCell

CAM: Lane = ("cam", None)
BOWLS = {"s": "bowl1", "m": "bowl2", "l": "bowl3"}
TRACK_FULL, TRACK_LOW = 14, 5
COUNT_EVERY = 25


class Feed:
    """Shows part after part to the camera; `shown` is the one that robot A may fetch."""

    def __init__(self, cell: SpoonCell) -> None:
        self.cell = cell
        self.shown: Part | None = None
        self.shown_since = 0
        self.coming = False  # a part is on its way to the camera
        self.track = dict.fromkeys(BOWLS.values(), TRACK_FULL)
        self.counts = dict.fromkeys(BOWLS.values(), 1200)
        self.words: dict[str, tuple[str, int]] = {}  # station -> state word and since when
        self.slide: deque[str] = deque()  # members put in by hand
        self.loading = False
        self.hand_parts = 0

    def start(self) -> None:
        """Start the bowls, the hand place and the camera."""
        for bowl in BOWLS.values():
            self.word(bowl, "READY")
            self.cell.spawn(self.bowl(bowl))
        self.word("hand", "NOT_USED")
        self.cell.spawn(self.hand())
        self.cell.spawn(self.camera())

    def more_coming(self) -> bool:
        """Tell whether robot A may expect another raw part."""
        return not self.cell.all_fed() or self.coming or self.loading or bool(self.slide)

    def fetched(self) -> Part:
        """Give the shown part to the robot."""
        assert self.shown is not None
        part, self.shown = self.shown, None
        self.cell.rec.holds.append(Hold(CAM, self.shown_since, self.cell.now, part))
        self.cell.tell()
        return part

    def word(self, station: str, word: str) -> None:
        """Log a feeder's state where it changed."""
        cell = self.cell
        if station in self.words:
            old, since = self.words[station]
            if old == word:
                return
            cell.rec.waits.append(Span((station, None), since, cell.now, words.FEEDS[old], old))
        self.words[station] = (word, cell.now)
        cell.say(cell.plc, f"{station.upper()};{word};;;;;", 1)

    def say_states(self) -> None:
        """Log all states again, after a boot."""
        for station, (word, _) in self.words.items():
            self.cell.say(self.cell.plc, f"{station.upper()};{word};;;;;", 1)

    def close(self) -> None:
        """Write down the states that still hold, and the part that still lies there, when the window ends."""
        end = self.cell.window.end
        for station, (word, since) in self.words.items():
            self.cell.rec.waits.append(Span((station, None), since, end, words.FEEDS[word], word))
        if self.shown:
            self.cell.rec.holds.append(Hold(CAM, self.shown_since, end, self.shown))

    def bowl(self, bowl: str) -> Proc:
        """Fill the track when it runs low; stand empty while nobody refills the hopper."""
        cell, lane = self.cell, (bowl, None)
        dry = [(a, b) for name, a, b in cell.scenario.dry if name == bowl]
        fills = 0
        while True:
            yield from cell.wait_for(lambda: self.track[bowl] <= TRACK_LOW, lane)
            fills += 1
            by_clock = next((b for a, b in dry if a <= cell.now < b), 0)
            if cell.late.is_late(bowl, fills, by_clock > 0):
                yield from cell.wait_for(lambda: self.track[bowl] == 0, lane)
                since = cell.now
                empty_until = cell.late.due(bowl, fills, since, by_clock)
                if since < empty_until:
                    self.word(bowl, "EMPTY")
                    yield from cell.until(empty_until)
                    cell.watch.add(Outside(since, cell.now, bowl, "waiting_material", "EMPTY"))
                    yield from cell.wait_for(lambda: True, lane)
            self.word(bowl, "FEEDING")
            while self.track[bowl] < TRACK_FULL:
                yield from cell.work(lane, 2400 + cell.chances.of(f"feed {bowl}").randrange(300), doer="cam")
                self.track[bowl] += 1
                cell.tell()
            self.word(bowl, "READY")

    def hand(self) -> Proc:
        """Let a person put parts on the slide while a hand-fed product runs."""
        cell, lane = self.cell, ("hand", None)
        wait: Waiting | None = None
        while True:
            if not (cell.made and cell.made.hand_fed and not cell.all_fed()):
                if not self.slide:
                    self.word("hand", "NOT_USED")
                wait = wait or Waiting(cell, self._can_load, lane)
                yield from wait.pulse()
                continue
            if cell.paused or len(self.slide) >= 2:
                self.word("hand", "READY")
                wait = wait or Waiting(cell, self._can_load, lane)
                yield from wait.pulse()
                continue
            if wait:
                wait.over()
                wait = None
            yield from cell.wait_for(lambda: True, lane)
            self.hand_parts += 1
            n, there = self.hand_parts, manned(cell.window, cell.now)
            if n % 170 == 0 and cell.late.is_late("hand", n, there):
                self.word("hand", "WAIT_OPERATOR")
                since = cell.now
                minutes = cell.chances.of("operator").uniform(3, 7)
                by_clock = cell.lane_frozen[lane].advance(since, int(minutes * MINUTE))
                yield from cell.until(cell.late.due("hand", n, since, by_clock))
                cell.watch.add(Outside(since, cell.now, "hand", "waiting_people", "WAIT_OPERATOR"))
            if cell.all_fed() or cell.paused:
                continue
            self.word("hand", "LOADING")
            member = cell.take_member()
            self.loading = True
            yield from cell.work(lane, int(cell.chances.of("load").uniform(6500, 9500)))
            self.loading = False
            self.slide.append(member)
            cell.tell()

    def _can_load(self) -> bool:
        cell = self.cell
        by_hand = cell.made is not None and cell.made.hand_fed
        return by_hand and not cell.all_fed() and not cell.paused and len(self.slide) < 2

    def camera(self) -> Proc:
        """Bring one part after the other under the camera and look at it."""
        cell = self.cell
        while True:
            yield from cell.wait_for(self._can_show, CAM)
            assert cell.made is not None
            self.coming = True
            if cell.made.hand_fed:
                member = self.slide.popleft()
                cell.tell()
            else:
                member = cell.take_member()
                yield from self.present(BOWLS[member])
            yield from cell.wait_for(lambda: True, CAM)
            yield from self.look(member)
            self.coming = False
            cell.tell()

    def _can_show(self) -> bool:
        cell = self.cell
        if self.shown is not None or cell.paused or cell.made is None:
            return False
        return bool(self.slide) if cell.made.hand_fed else not cell.all_fed()

    def present(self, bowl: str) -> Proc:
        """Let one part off the bowl's track."""
        cell, lane = self.cell, (bowl, None)
        yield from cell.wait_for(lambda: self.track[bowl] > 0, lane)
        yield from cell.step(lane, int(cell.chances.of(f"off {bowl}").uniform(850, 950)), doer="cam")
        self.track[bowl] -= 1
        self.counts[bowl] += 1
        if self.counts[bowl] % COUNT_EVERY == 0:
            cell.say(cell.plc, f"{bowl.upper()};COUNT;;;;{self.counts[bowl]};", 1)
        cell.tell()

    def look(self, member: str) -> Proc:
        """Look at the part, give it its number, throw a bad one out."""
        cell = self.cell
        assert cell.made is not None
        cell.serial += 1
        start_up = cell.start_up_left > 0
        cell.start_up_left = max(0, cell.start_up_left - 1)
        name = f"{4_000_000 + 100_000 * cell.copy + cell.serial}"
        part = Part(name, f"{cell.made.name}-{member}", cell.made.name, member, cell.now, start_up)
        cell.rec.parts.append(part)
        planned = cell.made.cycle_ms["cam"]
        cycle = cell.begin(CAM, part, planned)
        yield from cell.step(CAM, cell.natural("cam", planned), planned, silent=False)
        cycle.end = cell.now
        rng = cell.chances.of("picture")
        bad = rng.random() < 0.016
        cause = "" if not bad else "burr" if rng.random() < 0.6 else "scratch"
        bad = bad and not cell.scenario.without(REJECTS, "cam")
        verdict, took = "NOK" if bad else "OK", words.comma(cycle.end - cycle.start)
        cell.say(cell.plc, f"CAM;{verdict};{cause};{name};{part.product};{took};", 4 if bad else 3)
        if bad:
            cell.lose(part, "cam", cause)
        else:
            self.shown, self.shown_since = part, cell.now
