"""Starving, blocking and bottlenecks against exact answers; sources of the values in check_values.toml.

Lines with random times are written as logs, go through all facts, and what the flow says of them is held to the exact
solution within four standard errors. These come from the run itself, by thirty batches of equal length, so that they
hold for the correlation of a queue, too.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import polars as pl
import pytest

from analytics.studies.flow.active import active_periods, average_active, momentary, roles
from analytics.studies.flow.between import all_passages, little, stays_between
from analytics.studies.flow.read import Read, read
from analytics.studies.flow.series import arrows, turning_points
from analytics.studies.flow.study import flow
from analytics.studies.flow.tables import levels, waiting_by
from tests.reference.lines import Made, S, serial_line
from tests.reference.slots import bernoulli_line, unreliable_line
from tests.reference.values import CHECKS, Check

BATCHES = 30
WARM_UP_S = 2000.0


def spans(pairs: list[list[float]], lane: str) -> pl.DataFrame:
    rows = [{"lane": lane, "start_us": round(a * S), "end_us": round(b * S), "book": "active"} for a, b in pairs]
    return pl.DataFrame(rows)


def test_the_shifting_bottleneck_moves_as_in_the_worked_case() -> None:
    check, expected = Check("shifting_bottleneck"), CHECKS["shifting_bottleneck"]["expected"]
    lanes, length = list(check.active), (check.window[1] - check.window[0]) * S
    pieces = pl.concat([spans(check.active[lane], lane) for lane in lanes])
    periods = active_periods(pieces, pl.concat([spans([check.window], lane) for lane in lanes]))
    chain = momentary(periods)
    assert chain.rows() == [(lane, a * S, b * S, False) for lane, a, b in expected["chain"]]
    role = roles(chain).with_columns(us=pl.col("end_us") - pl.col("start_us"))
    for name in ("sole", "shifting"):
        time = dict(role.filter(pl.col("role") == name).group_by("lane").agg(pl.col("us").sum()).rows())
        assert [time.get(lane, 0) / length for lane in lanes] == pytest.approx(expected[f"{name}_share"])
    average = {row["lane"]: row for row in average_active(periods).iter_rows(named=True)}
    means = [average[lane]["mean_us"] / S for lane in lanes]
    assert means == pytest.approx(expected["average_active_period"], abs=1e-6)
    assert [average[lane]["cut_n"] for lane in lanes] == [2, 1, 1]


def test_the_turning_point_and_the_arrows_name_the_station_of_the_worked_case() -> None:
    check = Check("turning_point")
    found = [j + 1 for j in turning_points(check.TB, check.TS)]
    assert found == CHECKS["turning_point"]["expected"]["turning_points"]
    check, expected = Check("arrow_method"), CHECKS["arrow_method"]["expected"]
    pointing = arrows(check.BL, check.ST)
    assert ["right" if r else "left" for r in pointing.right] == expected["arrows"]
    assert [j + 1 for j in pointing.bottlenecks] == expected["bottlenecks"]


def test_littles_law_holds_exactly_on_a_window_that_begins_and_ends_empty() -> None:
    check = Check("little_from_log")
    stays = pl.DataFrame(check.arrive_depart, schema=["fed_us", "done_us"], orient="row").cast(pl.Int64) * S
    steps = [stays.select(us=column, step=pl.lit(step)) for column, step in (("fed_us", 1), ("done_us", -1))]
    law = little(stays, pl.concat(steps), 0, 0, round(check.window * S) + 1)  # the last leaves at its very end
    assert law is not None
    assert law.mean_stay_us is not None
    assert law.by_little is not None
    tiny = 1e-6
    assert law.mean_wip == pytest.approx(CHECKS["little_from_log"]["expected"]["mean_wip"], rel=tiny)
    assert law.throughput_per_us * S == pytest.approx(CHECKS["little_from_log"]["expected"]["throughput"], rel=tiny)
    assert law.mean_stay_us / S == pytest.approx(CHECKS["little_from_log"]["expected"]["mean_flow_time"], rel=tiny)
    assert law.by_little == pytest.approx(CHECKS["little_from_log"]["expected"]["wip_by_little"], rel=tiny)
    assert law.edges == 0
    assert law.rest == pytest.approx(0, abs=1e-9)


def test_the_accounts_of_the_deterministic_line_close_and_all_methods_name_its_slowest_station(tmp_path: Path) -> None:
    check, expected = Check("deterministic_line_accounts"), CHECKS["deterministic_line_accounts"]["expected"]
    made = serial_line(check.times, check.buffers, check.parts)
    plant = made.open(tmp_path)
    window = made.window()
    whole = waiting_by(read(plant, "a1", window, None), [window.from_us, window.to_us])
    end = expected["makespan"]
    idle = [sum(times) for times in zip(*(expected[k] for k in WAITS), strict=True)]
    for book, seconds in (("active", expected["working"]), ("blocked", expected["blocked"]), ("starved", idle)):
        assert (whole[f"{book}_share"] * end).to_list() == pytest.approx(seconds, abs=1e-3)
    study = flow(plant, "a1", window)
    assert study.tables["bottleneck_periods"].select("station", "us").rows() == [
        ("s1", 80 * S), ("s2", 500 * S), ("s3", 45 * S),
    ]  # fmt: skip
    between = made.window(float(made.leave_s[0]), float(made.leave_s[-1]) - 100)  # all stations have parts
    named = dict(flow(plant, "a1", between).tables["named_by"].select("method", "station").rows())
    assert {named[m] for m in ("shifting bottleneck", "turning point", "arrows")} == {"s2"}


WAITS = ("starved_before_first", "starved_between", "idle_after_last")


class Measured:
    """Shares of a run in batches, from the facts of its log."""

    def __init__(self, made: Made, folder: Path) -> None:
        self.window = made.window(WARM_UP_S, float(made.leave_s[-1]) - 60)
        self.facts: Read = read(made.open(folder), "a1", self.window, None)
        self.edges = [int(e) for e in np.linspace(self.window.from_us, self.window.to_us, BATCHES + 1)]
        self.waiting = waiting_by(self.facts, self.edges)

    def share(self, station: str, book: str) -> np.ndarray[Any, np.dtype[np.float64]]:
        return self.waiting.filter(pl.col("station") == station)[f"{book}_share"].to_numpy()


def agrees(batches: np.ndarray[Any, np.dtype[np.float64]], exact: float) -> bool:
    """Whether the mean is the exact value within four standard errors, and these are small enough to tell anything."""
    error = batches.std(ddof=1) / np.sqrt(len(batches))
    assert error < 0.02
    return abs(batches.mean() - exact) <= 4 * max(error, 1e-6)


def exponential(rates: list[float], buffers: list[int], parts: int, seed: int) -> Made:
    """A line with exponential times; a rate of 1 is one part in four seconds."""
    rng = np.random.default_rng(seed)
    times = rng.exponential(4.0 / np.asarray(rates), size=(parts, len(rates))).clip(1e-5)
    return serial_line(times, buffers, takt_s=4.0, silent_stop_s=1e5)


def test_two_exponential_machines_wait_as_the_birth_death_chain_says(tmp_path: Path) -> None:
    check, exact = Check("two_machine_exponential_buffer"), CHECKS["two_machine_exponential_buffer"]["expected"]
    made = exponential([check.mu1, check.mu2], [check.buffer], 17_000, seed=1)
    run = Measured(made, tmp_path)
    assert agrees(run.share("s1", "blocked"), exact["machine1_blocked"])
    assert agrees(run.share("s2", "starved"), exact["machine2_starved"])
    assert agrees(run.share("s1", "active"), exact["machine1_working"])
    assert agrees(run.share("s2", "active"), exact["machine2_working"])
    passages = made.events.filter(pl.col("kind").is_in(["part_in", "part_out"])).select(
        "kind", "station", "part", us=pl.col("ts_source").cast(pl.Int64)
    )
    done = run.facts.lives.filter(pl.col("done_us").is_not_null())
    between = levels(stays_between(passages, done, made.cell), run.facts, run.edges)
    assert agrees(between["mean_n"].to_numpy() / check.buffer, exact["mean_in_buffer"] / check.buffer)
    assert between["max_n"].max() == check.buffer
    # Without departures the finished part that stays in machine 1 counts as between, too.
    coarse = levels(stays_between(all_passages(None, run.facts.visits)[0], done, made.cell), run.facts, run.edges)
    assert agrees(coarse["mean_n"].to_numpy() / 4, (exact["mean_in_buffer"] + exact["machine1_blocked"]) / 4)


def test_three_exponential_stations_without_buffers_wait_as_hunt_says(tmp_path: Path) -> None:
    exact = CHECKS["three_station_exponential_no_buffer"]["expected"]
    run = Measured(exponential([1, 1, 1], [0, 0], 11_000, seed=2), tmp_path)
    for j in range(3):
        for book, key in (("blocked", "blocked"), ("starved", "starved"), ("active", "working")):
            assert agrees(run.share(f"s{j + 1}", book), exact[key][j])


@pytest.mark.parametrize("name", ["bernoulli_two_machine", "bernoulli_two_machine_equal"])
def test_two_bernoulli_machines_wait_as_the_slot_chain_says(name: str, tmp_path: Path) -> None:
    check, exact = Check(name), CHECKS[name]["expected"]
    run = Measured(bernoulli_line(check.p1, check.p2, check.N, 16_000, seed=3), tmp_path)
    assert agrees(run.share("s1", "blocked"), exact["machine1_blocked"])
    assert agrees(run.share("s2", "starved"), exact["machine2_starved"])


def test_two_machines_that_fail_wait_as_the_deterministic_line_says(tmp_path: Path) -> None:
    check = Check("deterministic_two_machine_unreliable")
    exact = CHECKS["deterministic_two_machine_unreliable"]["expected"]
    run = Measured(unreliable_line(check.r1, check.p1, check.r2, check.p2, check.N, 26_000, seed=4), tmp_path)
    assert agrees(run.share("s1", "blocked"), exact["machine1_blocked"])
    assert agrees(run.share("s2", "starved"), exact["machine2_starved"])
