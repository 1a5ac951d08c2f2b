"""What a cell model writes down: log lines, and the truth behind them. Times in ms from the window's start."""

from __future__ import annotations

from dataclasses import dataclass, field

from sample_logs.generator.scenario import Lane


@dataclass(slots=True, eq=False)
class Part:
    """One part on its way through a cell."""

    name: str
    product: str
    of: str  # set product, or the product itself where there are no sets
    member: str
    fed: int
    start_up: bool
    bad_at: str | None = None  # station that rejects it
    cause: str | None = None
    done: int | None = None
    outcome: str = "inside"
    set_id: str | None = None

    @property
    def quality(self) -> str:
        """Return what becomes of it, as the account names it."""
        if self.outcome != "reject":
            return "good" if self.outcome in ("good", "inside") else "reject"
        return "start_up_reject" if self.start_up else "reject"


@dataclass(slots=True)
class Cycle:
    """Work on a part at a lane; end None: under way when the window ends."""

    lane: Lane
    start: int
    end: int | None
    part: Part | None
    planned: int


@dataclass(slots=True)
class Span:
    """A stretch of a lane's time (lane None: all lanes) that belongs to one line; line None: stop, by its length."""

    lane: Lane | None
    start: int
    end: int
    line: str | None
    cause: str | None
    alarm: bool = False


@dataclass(slots=True)
class Hold:
    """A part stands in a lane's place."""

    lane: Lane
    start: int
    end: int
    part: Part


@dataclass(slots=True)
class Order:
    """One production order; ended None: still open."""

    number: str
    cell: str
    product: str
    quantity: int
    hand_fed: bool
    started: int
    ended: int | None = None


@dataclass(slots=True)
class Carrier:
    """A tray at the outlet; taken None: still there."""

    name: str
    cell: str
    order: str
    put_in: int
    taken: int | None = None


@dataclass(slots=True)
class Reason:
    """What a person typed in about a stop, and what was true."""

    cell: str
    station: str | None
    cause: str
    text: str
    start: int
    seconds: int
    operator: str
    entered: int
    true_cause: str
    true_start: int
    true_end: int


@dataclass(slots=True)
class Records:
    """Everything that one cell wrote down."""

    lines: dict[str, list[tuple[int, str, int]]] = field(default_factory=dict)  # source -> (t, body, events)
    cycles: list[Cycle] = field(default_factory=list)
    stops: list[Span] = field(default_factory=list)  # own stops of a lane, with or without alarm
    waits: list[Span] = field(default_factory=list)  # waiting words of a log
    whole: list[Span] = field(default_factory=list)  # spans of the whole cell
    holds: list[Hold] = field(default_factory=list)
    parts: list[Part] = field(default_factory=list)
    orders: list[Order] = field(default_factory=list)
    carriers: list[Carrier] = field(default_factory=list)
    reasons: list[Reason] = field(default_factory=list)
    modes: list[tuple[int, str]] = field(default_factory=list)
