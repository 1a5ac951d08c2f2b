"""The trays of the spoon cell: two at the outlet, some more in the magazine; they hold whole sets."""

from __future__ import annotations

from typing import TYPE_CHECKING

from sample_logs.generator import catalogue as cat
from sample_logs.generator import spoon_words as words
from sample_logs.generator.calendar import MINUTE
from sample_logs.generator.chances import CARRIER
from sample_logs.generator.kit import Proc
from sample_logs.generator.records import Carrier, Part, Span
from sample_logs.generator.scenario import Lane, manned
from sample_logs.generator.watch import Outside

if TYPE_CHECKING:
    from sample_logs.generator.spoon import SpoonCell

ROBB: Lane = ("robB", None)
TRAY: Lane = ("tray", None)
MAGAZINE = 12  # empty trays that stand ready
PUT = 2000


class Trays:
    """The outlet. The k-th good part of a size belongs to the k-th set of a batch."""

    def __init__(self, cell: SpoonCell) -> None:
        self.cell = cell
        self.made_of: dict[str, int] = {}  # good parts per size in this batch
        self.here: dict[int, Carrier] = {}  # trays at the outlet, by their number in the batch
        self.filled: dict[int, int] = {}
        self.next_tray = 0
        self.magazine = MAGAZINE
        self.endless = cell.scenario.without(CARRIER)
        self.count = 400
        self.none_since: int | None = None
        self.asked: dict[int, int] = {}  # since when a tray is missing, by its count
        self.coming: set[int] = set()  # trays that were told to be late

    def close(self) -> None:
        """Write down that no tray is there, when the window ends."""
        if self.none_since is not None:
            span = Span(TRAY, self.none_since, self.cell.window.end, "carrier_change", "TRAY")
            self.cell.rec.waits.append(span)

    def change(self) -> None:
        """Send half-full trays away and begin a new batch."""
        for index in sorted(self.here):
            self.out(index)
        self.made_of, self.filled, self.next_tray = {}, {}, 0

    def bring(self) -> None:
        """Keep two trays at the outlet, as long as the magazine has some."""
        cell = self.cell
        for n in range(self.count + 1, self.count + 3 - len(self.here)):
            self.asked.setdefault(n, cell.now)
        while len(self.here) < 2 and self.there():
            self.magazine -= 0 if self.endless else 1
            self.count += 1
            cell.late.note("tray", self.count, cell.now - self.asked[self.count])
            order = cell.order.number if cell.order else ""
            carrier = Carrier(f"T{self.count:04d}", cell.name, order, cell.now)
            self.here[self.next_tray] = carrier
            self.filled[self.next_tray] = 0
            self.next_tray += 1
            cell.rec.carriers.append(carrier)
            cell.say(cell.plc, f"TRAY;IN;;;;;{carrier.name}", 2)
        cell.tell()

    def there(self) -> bool:
        """Tell whether the next tray can be brought; where it is told how late it is, let it come then."""
        cell, n = self.cell, self.count + 1
        if cell.late.told is None or self.endless:
            return self.magazine > 0
        due = self.asked[n] + cell.late.told.get(("tray", n), 0)
        if cell.now < due and n not in self.coming:
            self.coming.add(n)
            cell.spawn(self.told(due))
        return cell.now >= due

    def told(self, due: int) -> Proc:
        """Bring a tray that is late by what was told."""
        yield from self.cell.until(due)
        yield from self.cell.wait_for(lambda: True)
        if self.cell.made:
            self.bring()

    def out(self, index: int) -> None:
        """Send a tray away."""
        cell = self.cell
        carrier = self.here.pop(index)
        carrier.taken = cell.now
        cell.say(cell.plc, f"TRAY;OUT;;;;;{carrier.name}", 1)

    def supply(self) -> Proc:
        """Let people refill the magazine, except while they forgot it."""
        cell = self.cell
        while True:
            since = cell.now
            yield cell.env.timeout(int(cell.chances.of("trays").uniform(25, 45) * MINUTE))
            cell.watch.add(Outside(since, cell.now, "tray", "carrier_change", "TRAY"))
            yield from cell.wait_for(lambda: True)
            gone = any(a <= cell.now < b for a, b in cell.scenario.trays_gone)
            if cell.late.told is None and manned(cell.window, cell.now) and not gone:
                self.magazine = MAGAZINE
                if cell.made:
                    self.bring()

    def put(self, part: Part) -> Proc:
        """Put a good part into the first set that lacks its size."""
        cell = self.cell
        number = self.made_of.get(part.member, 0)
        index = number // cat.SETS_PER_TRAY
        if any(a <= cell.now < b for a, b in cell.scenario.trays_gone) and not self.endless:
            self.magazine = 0
        if index not in self.here:
            cell.say(cell.plc, "TRAY;NONE;;;;;", 1)
            self.none_since = cell.now
            yield from cell.robot_wait(ROBB, lambda: index in self.here, lambda: "TRAY")
            put_in = self.here[index].put_in
            cell.rec.waits.append(Span(TRAY, self.none_since, put_in, "carrier_change", "TRAY"))
            self.none_since = None
        else:
            yield from cell.robot_wait(ROBB, lambda: True, lambda: "PAUSE")
        self.made_of[part.member] = number + 1
        yield from cell.move(ROBB, PUT, whole=True)
        carrier, place = self.here[index], number % cat.SETS_PER_TRAY + 1
        part.set_id = f"{carrier.name}/{place:02d}"
        cell.say_robot(f"R2 PUT done part {part.name} tray {carrier.name} place {place:02d}", 3)
        cell.robot_cycle(ROBB, part)
        cell.spawn(self.seat(part, index))

    def seat(self, part: Part, index: int) -> Proc:
        """Seat the part in the tray: it is finished. A full tray leaves, the next comes."""
        cell = self.cell
        planned = cell.products[part.of].cycle_ms["tray"]
        cycle = cell.begin(TRAY, part, planned)
        yield from cell.step(TRAY, cell.natural("tray", planned), planned, silent=False)
        cycle.end = part.done = cell.now
        part.outcome = "good"
        cell.watch.departed()
        seconds = words.comma(cycle.end - cycle.start)
        cell.say(cell.plc, f"TRAY;SEATED;;{part.name};{part.product};{seconds};{part.set_id}", 3)
        cell.inside -= 1
        self.filled[index] += 1
        if self.filled[index] == 3 * cat.SETS_PER_TRAY:
            self.out(index)
            cell.spawn(self.exchange())
        cell.tell()

    def exchange(self) -> Proc:
        """Move the next tray in."""
        cell = self.cell
        yield from cell.work(None, 0 if self.endless else 3500, doer="tray", line="carrier_change", cause="TRAY")
        if len(self.here) < 2 and not cell.setup:
            self.bring()
