"""The press of the spoon cell: two nests that mark the scale, and the press's own check."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from sample_logs.generator.chances import REJECTS
from sample_logs.generator.kit import Proc
from sample_logs.generator.records import Hold, Part
from sample_logs.generator.scenario import Lane

if TYPE_CHECKING:
    from sample_logs.generator.spoon import SpoonCell


@dataclass(slots=True)
class Nest:
    """One of the press's places."""

    name: str
    part: Part | None = None
    done: int | None = None  # when its cycle ended

    @property
    def lane(self) -> Lane:
        """Return its lane."""
        return ("press", self.name)


class Press:
    """Two nests; robot A tends them."""

    def __init__(self, cell: SpoonCell) -> None:
        self.cell = cell
        self.nests = (Nest("1"), Nest("2"))

    def close(self) -> None:
        """Write down the parts that still lie there when the window ends."""
        for nest in self.nests:
            if nest.part and nest.done is not None:
                self.cell.rec.holds.append(Hold(nest.lane, nest.done, self.cell.window.end, nest.part))

    def pressing(self) -> bool:
        """Tell whether a nest is at work."""
        return any(nest.part is not None and nest.done is None for nest in self.nests)

    def finished(self) -> Nest | None:
        """Return the nest that finished first and still holds its part."""
        done = [nest for nest in self.nests if nest.done is not None]
        return min(done, key=lambda nest: nest.done or 0) if done else None

    def next_nest(self) -> Nest | None:
        """Return the nest that takes the next raw part: an empty one before a finished one."""
        return next((nest for nest in self.nests if nest.part is None), None) or self.finished()

    def take_out(self, nest: Nest) -> Part:
        """Take the finished part out of a nest."""
        assert nest.part is not None
        assert nest.done is not None
        part = nest.part
        cell = self.cell
        cell.rec.holds.append(Hold(nest.lane, nest.done, cell.now, part))
        nest.part = nest.done = None
        return part

    def cycle(self, nest: Nest, part: Part) -> Proc:
        """Mark the scale and check it."""
        cell = self.cell
        planned = cell.products[part.of].cycle_ms["press"]
        nest.part, nest.done = part, None
        cycle = cell.begin(nest.lane, part, planned)
        ident = f"nest={nest.name} part={part.name} prod={part.product}"
        cell.say(cell.press_log, f"ev=begin {ident}", 1)
        yield from cell.step(nest.lane, cell.natural("press", planned), planned)
        cycle.end = nest.done = cell.now
        share = 0.013 + cell.scenario.burst_share(cell.now) + (0.30 if part.start_up else 0.0)
        verdict = "verdict=OK"
        rng = cell.chances.of("mark")
        if rng.random() < share:
            cause = "faint_mark" if rng.random() < 0.7 else "skew_mark"
            if not cell.scenario.without(REJECTS, "press"):
                part.bad_at, part.cause = "press", cause
                verdict = "verdict=NOK"
        said = f" cause={part.cause}" if part.bad_at else ""
        seconds = (cycle.end - cycle.start) / 1000
        cell.say(cell.press_log, f"ev=end {ident} {verdict} sec={seconds:.3f}{said}", 1)
        cell.tell()
