"""The gating chain held to the generator's own gating record, which knows what every wait was waiting for.

The limits are those that the project set itself before the chain was written. More seeds and days:
`python -m tests.reference.gating_truth`.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import polars as pl
import pytest

from analytics.windows import day_window
from sample_logs.generator import chances as ch
from sample_logs.generator.chances import Loss
from tests.reference.gating_truth import Judged, damage, judge, simulated
from tests.reference.removed_loss import Compared, book_of, charge_s, gain_s, ran, true_book_of
from tests.sample import CELLS, sample_plant, truth

LIMITS = {"spoon": (0.01, 0.03), "timer": (0.003, 0.01)}  # wrong share per run, in any shift
CLOCKS_LIMIT, LOST_LIMITS = 0.02, (0.03, 0.10)
RIGHT_GATE = 0.97


@dataclass(frozen=True)
class Day:
    """One simulated day of both cells: how right the chain is, its book, and which station rejected which part."""

    judged: dict[str, Judged]
    books: dict[str, tuple[pl.DataFrame, pl.DataFrame]]


@cache
def day(seed: int, clocks: bool = False, lost: float = 0.0) -> Day:
    with simulated(seed, 1, CELLS, damage(1, seed, clocks, lost), apart=True) as (plant, true):
        judged = {c: judge(plant, c, plant.fact(c, "chain"), true.filter(pl.col("cell") == c)) for c in CELLS}
        return Day(judged, {c: book_of(plant, c) for c in CELLS})


@cache
def sample(cell: str) -> Judged:
    plant = sample_plant()
    return judge(plant, cell, plant.fact(cell, "chain"), truth("gating").filter(pl.col("cell") == cell))


@pytest.mark.parametrize("cell", CELLS)
@pytest.mark.parametrize("run", ["three days of the sample", "a day of another seed"])
def test_the_chain_charges_station_and_line_as_the_truth_does(cell, run):
    found = sample(cell) if run.startswith("three") else day(31).judged[cell]
    per_run, per_shift = LIMITS[cell]
    assert found.wrong_share <= per_run
    assert found.worst_shift_share <= per_shift
    assert found.quarters > 50
    assert found.quarters_right_share >= RIGHT_GATE
    assert found.causes == found.true_causes


@pytest.mark.parametrize("cell", CELLS)
def test_with_wrong_clocks_that_were_aligned_it_still_does(cell):
    assert day(32, clocks=True).judged[cell].wrong_share <= CLOCKS_LIMIT


@pytest.mark.parametrize("cell", CELLS)
def test_with_two_lines_in_a_thousand_lost_it_nearly_does(cell):
    found = day(33, lost=0.002).judged[cell]
    assert found.wrong_share <= LOST_LIMITS[0]
    assert found.worst_shift_share <= LOST_LIMITS[1]


@pytest.mark.parametrize(
    ("cell", "loss"),
    [
        ("timer", Loss(ch.BREAKDOWNS, "spring")),
        ("timer", Loss(ch.SLOW, "dial")),
        ("timer", Loss(ch.DRY, "frame")),
        ("spoon", Loss(ch.BREAKDOWNS, "press")),
    ],
    ids=lambda told: told if isinstance(told, str) else f"{told.kind} {told.station}",
)
def test_a_run_without_a_loss_gains_no_more_than_was_charged_for_it(cell, loss):
    days = {31: day(31), 32: day(32, clocks=True)}
    gains = [gain_s(cell, 1, seed, loss) for seed in days]
    chain = [charge_s(*d.books[cell], ran(cell, 1, seed), loss) for seed, d in days.items()]
    record = [charge_s(*true_book_of(cell, 1, seed), ran(cell, 1, seed), loss) for seed in days]
    for charges in (chain, record):
        found = Compared(loss, gains, charges)
        assert found.is_ceiling, found
        assert found.gain_s > 0.7 * found.charge_s  # the gate of its hours: most of the charge comes back


def test_the_measure_itself_sees_what_is_wrong():
    """The truth against itself has no fault; moved by an hour, or charged to one station, it has a large one."""
    plant, true = sample_plant(), truth("gating").filter(pl.col("cell") == "timer")
    exact = judge(plant, "timer", true, true)
    assert (exact.wrong_share, exact.worst_shift_share, exact.quarters_right_share) == (0.0, 0.0, 1.0)
    one = true.with_columns(station=pl.lit("test"), line=pl.lit("work"))
    of_test = true.filter((pl.col("station") == "test") & (pl.col("line") == "work"))
    busy = judge(plant, "timer", one, true)
    clipped = busy.differences.filter((pl.col("station") == "test") & (pl.col("line") == "work"))
    assert clipped["true_us"].item() <= (of_test["end_us"] - of_test["start_us"]).sum()
    assert busy.wrong_share == pytest.approx(1 - clipped["true_us"].item() / busy.busy_us)
    assert busy.quarters_right_share < 0.7


def test_a_book_that_does_not_close_is_not_judged():
    plant, true = sample_plant(), truth("gating").filter(pl.col("cell") == "timer")
    first = day_window(plant, plant.days("timer")[0])
    with pytest.raises(AssertionError, match="the chain books"):
        judge(plant, "timer", true.filter(pl.col("start_us") > first.from_us + 10_000_000_000), true)
