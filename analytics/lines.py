"""The lines of the time account: what each means and where it belongs in the conventions. A new line is a row here.

Sources: the lines are ours; the elements are those of ISO 22400-2:2014 clause 5; the six losses those of Nakajima,
Introduction to TPM (1988). The standard leaves open whether starved and blocked time counts as delay (ADET) or down
time (ADOT); we book all that happens while an order is being worked as delay, and only time without an order or
without knowledge as down time.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

Element = Literal["APT", "AUST", "ADET", "ADOT"]
Factor = Literal["availability", "performance", "quality", "none"]


@dataclass(frozen=True, slots=True)
class Line:
    """One line of the account."""

    name: str
    title: str
    meaning: str
    element: Element  # ISO 22400-2 time element that the line is part of
    tpm: Factor  # which factor the line lowers under the convention `tpm`
    six_losses: str  # Nakajima's class, "" when it is none of the six
    known: bool = True  # counts towards the known share

    @property
    def iso(self) -> Factor:
        """Which factor the line lowers under the convention `iso22400`: every stop lowers availability."""
        if self.element != "APT":
            return "availability"
        return self.tpm


_A: Final = "availability"
LINES: Final[tuple[Line, ...]] = (
    Line("good", "good", "planned cycle x good parts", "APT", "none", ""),
    Line("no_data", "no data", "source silent or link down", "ADOT", _A, "", known=False),
    Line("safety_stop", "safety stop", "emergency stop, guard opened", "ADET", _A, "breakdown"),
    Line("breakdown", "breakdown", "own stop at or above the micro-stop limit", "ADET", _A, "breakdown"),
    Line("changeover", "changeover", "product change, until work on the first good part begins", "AUST", _A,
         "setup and adjustment"),
    Line("carrier_change", "carrier change", "waits for a tray or magazine", "ADET", _A, "setup and adjustment"),
    Line("waiting_people", "waiting for people", "waits for a person", "ADET", _A, ""),
    Line("waiting_material", "waiting for material", "waits for material from outside the cell", "ADET", _A, ""),
    Line("no_order", "no order", "nothing ordered", "ADOT", _A, ""),
    Line("planned_stop", "planned stop of a station", "a station's own planned stop held up the cell", "ADOT", _A, ""),
    Line("starved", "starved", "nothing to take", "ADET", _A, "idling and minor stops"),
    Line("blocked", "blocked", "nowhere to put", "ADET", _A, "idling and minor stops"),
    Line("micro_stop", "short stops", "own stop below the micro-stop limit, with or without an alarm", "ADET",
         "performance", "idling and minor stops"),
    Line("slow_cycle", "slow cycles", "cycle beyond the planned cycle", "APT", "performance", "reduced speed"),
    Line("fast_cycle", "faster than planned", "credit: cycles shorter than planned; is the planned cycle right?", "APT",
         "performance", ""),
    Line("plan_gap", "plan gap", "planned station times along the way beyond the planned cell cycle", "APT",
         "performance", ""),
    Line("reject", "rejects", "planned cycle x parts rejected later", "APT", "quality", "defects"),
    Line("start_up_reject", "start-up rejects", "the same, among the first parts after a start or changeover", "APT",
         "quality", "start-up losses"),
    Line("rework", "rework", "planned cycle x parts not good the first time", "APT", "quality", "defects"),
    Line("unexplained", "unexplained", "planned, and nothing known", "ADET", _A, "", known=False),
)  # fmt: skip

BY_NAME: Final[dict[str, Line]] = {line.name: line for line in LINES}

CAUSE_LINES: Final = (
    "breakdown",
    "safety_stop",
    "changeover",
    "carrier_change",
    "waiting_people",
    "waiting_material",
    "no_order",
    "starved",
    "blocked",
    "none",
)
"""What a catalogue entry may be booked as; `breakdown` becomes `micro_stop` below the limit, `none` stops nothing."""
