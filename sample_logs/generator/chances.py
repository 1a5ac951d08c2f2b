"""Random numbers of a run, and the losses that a run may be without.

Usually all that happens by chance in a cell comes from one stream, in the order in which it happens. For runs that are
to be compared each draw has a stream of its own, named by what it is for and how many of its kind came before: then a
run without a loss draws the same for everything else. A loss that is left out is drawn and thrown away.
"""

from __future__ import annotations

import random
from collections import Counter
from dataclasses import dataclass

BREAKDOWNS, SHORT_ALARM, SHORT_SILENT = "breakdowns", "short stops with alarm", "short stops without alarm"
SLOW, CARRIER, DRY, SETUP, REJECTS = "slow hours", "carrier waits", "no material", "set-up time", "rejects"


@dataclass(frozen=True, slots=True)
class Loss:
    """One kind of loss of one station; station None: of the whole cell."""

    kind: str
    station: str | None = None


@dataclass(frozen=True, slots=True)
class Run:
    """How a cell is run: seed; a stream for each draw; without which losses; with a record of who waited for whom.

    orders: product and quantity of the first orders; else people decide by the clock what is made next, and a run that
    is a few minutes ahead may make something else. late: how long what comes from outside (a tray, material) let the
    cell wait; else people bring it by the clock, and a run that is a few minutes ahead may miss a gap of half an hour.
    """

    seed: int
    apart: bool = False
    without: tuple[Loss, ...] = ()
    watched: bool = False
    orders: tuple[tuple[str, int], ...] = ()
    late: tuple[tuple[str, int, int], ...] | None = None  # who, the how many-th time, by how many ms


class Chances:
    """Where random numbers come from: one stream, or one for each draw."""

    def __init__(self, key: str, apart: bool) -> None:
        self.key, self.apart = key, apart
        self.rng = random.Random(key)
        self.drawn: Counter[str] = Counter()

    def of(self, purpose: str) -> random.Random:
        """Return the source of the next draw for a purpose."""
        if not self.apart:
            return self.rng
        self.drawn[purpose] += 1
        return random.Random(f"{self.key}-{purpose}-{self.drawn[purpose]}")


class Lateness:
    """How late what comes from outside was, time after time: as the clock has it, or as told of another run."""

    def __init__(self, how: Run) -> None:
        self.told = None if how.late is None else {(who, n): ms for who, n, ms in how.late}
        if self.told:
            left_out = [loss.station for loss in how.without if loss.kind == DRY]
            self.told = {key: ms for key, ms in self.told.items() if key[0] not in left_out}
        self.noted: dict[tuple[str, int], int] = {}

    def is_late(self, who: str, n: int, by_clock: bool) -> bool:
        """Tell whether the n-th is to be late."""
        return by_clock if self.told is None else (who, n) in self.told

    def due(self, who: str, n: int, since: int, by_clock: int) -> int:
        """Return when the n-th comes that was needed since then."""
        end = by_clock if self.told is None else since + self.told.get((who, n), 0)
        self.note(who, n, end - since)
        return end

    def note(self, who: str, n: int, ms: int) -> None:
        """Keep how late the n-th was."""
        if ms > 0:
            self.noted[who, n] = ms

    def all(self) -> tuple[tuple[str, int, int], ...]:
        """Return all that was late, as a run takes it."""
        return tuple((who, n, ms) for (who, n), ms in self.noted.items())
