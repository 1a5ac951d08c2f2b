"""What people type in about stops: rounded, late, sometimes wrong."""

from __future__ import annotations

from typing import TYPE_CHECKING

from sample_logs.generator import catalogue as cat
from sample_logs.generator import scenario as sc
from sample_logs.generator.calendar import MINUTE
from sample_logs.generator.records import Reason
from sample_logs.generator.scenario import Lane

if TYPE_CHECKING:
    from sample_logs.generator.kit import Cell

OPERATORS = ("op-11", "op-14", "op-23", "op-31", "op-37")


def type_reason(cell: Cell, lane: Lane, start: int, end: int, text: str) -> None:
    """Let a person type in why the station stood."""
    rng, minute = cell.chances.of("reason"), MINUTE
    who = OPERATORS[rng.randrange(len(OPERATORS))]
    came = start + int((end - start) * rng.uniform(0.2, 0.5))
    entered = end + int(rng.uniform(1, 45) * minute)
    while not sc.manned(cell.window, entered):
        entered += 30 * minute
    long = end - start >= 5 * minute
    pieces = [("wait_fitter", start, came), ("repair", came, end)] if long else [("adjust", start, end)]
    for cause, a, b in pieces:
        grain = 5 * minute if long else minute
        begin = (cell.window.base + a + grain // 2) // grain * grain - cell.window.base
        length = max(grain, (b - a + grain // 2) // grain * grain)
        wrong = rng.random() < 0.18
        said = ("material", "other")[rng.randrange(2)] if wrong else cause
        words = text if cause != "wait_fitter" else cat.REASONS[said][0]
        cell.rec.reasons.append(
            Reason(cell.name, lane[0], said, words, begin, length // 1000, who, entered, cause, a, b)
        )
