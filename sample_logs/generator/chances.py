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
    is a few minutes ahead may make something else.
    """

    seed: int
    apart: bool = False
    without: tuple[Loss, ...] = ()
    watched: bool = False
    orders: tuple[tuple[str, int], ...] = ()


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
