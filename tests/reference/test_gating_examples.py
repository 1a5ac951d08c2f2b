"""The gating chain on cells whose gate is known from a formula: robotic cells, lines, loops of pallets, buffers.

Robotic cells: Sethi, Sriskandarajah, Sorger, Blazewicz & Kubiak 1992 (S1, S2); the cycle of the robot with two grippers
is the largest of its three circuits (the robot's round, and each machine with its swap), the maximum cycle mean of
Baccelli, Cohen, Olsder & Quadrat 1992. Lines and loops: check_values.toml names the sources.

A machine that is done only after the robot's last record before it comes by, and before it takes the part, might have
held it up by a hand-over of constant length: where nothing varies, only the robot's silence tells that it did not wait.
"""

from __future__ import annotations

from pathlib import Path
from tempfile import TemporaryDirectory

import polars as pl
import pytest
from hypothesis import Phase, assume, given, settings
from hypothesis import strategies as st

from tests.reference.lines import START_US, Made, S, Stop, serial_line
from tests.reference.loops import roomy_loop, tight_loop
from tests.reference.robot_cells import robot_cell
from tests.reference.values import Check

few = settings(max_examples=6, deadline=None, derandomize=True, phases=(Phase.explicit, Phase.generate))
tenths = st.integers(5, 60).map(lambda n: n / 10)
process = st.integers(5, 600).map(lambda n: n / 10)
CLEAR_S = 0.5  # nearer to the switch-over point the two gates are the same within what a log can tell


def robot_cell_s2(load: float, travel: float, p1: float, p2: float) -> tuple[Made, dict[str, float]]:
    """A cell in cycle S2 and the shares of its gate by the closed form."""
    way = 2 * load + 4 * travel
    longest = max(way, p1, p2)
    cycle = 4 * load + 4 * travel + longest
    made = robot_cell("s2", load=load, travel=travel, p1=p1, p2=p2, parts=24)
    assert made.cycle_s() == pytest.approx(cycle)
    if longest == way:
        return made, {"rob": 1.0}
    return made, {"m1" if longest == p1 else "m2": longest / cycle, "rob": 1 - longest / cycle}


def gate(made: Made, turns: int = 8) -> dict[str, float]:
    """Share of the chain per station over some whole turns in the middle of the run."""
    half = len(made.leave_s) // 2
    from_us, to_us = (START_US + round(float(made.leave_s[n]) * S) for n in (half, half + turns))
    chain = chain_of(made).filter((pl.col("start_us") < to_us) & (pl.col("end_us") > from_us))
    within = pl.min_horizontal("end_us", to_us) - pl.max_horizontal("start_us", from_us)
    rows = chain.group_by("station").agg(within.sum().alias("us")).rows()
    shares = {station: us / (to_us - from_us) for station, us in rows}
    assert sum(shares.values()) == pytest.approx(1, abs=1e-9)
    return shares


def chain_of(made: Made) -> pl.DataFrame:
    """The chain of a written log, through all facts."""
    with TemporaryDirectory() as folder:
        plant = made.open(Path(folder))
        plant.build("a1")
        return plant.fact("a1", "chain")


def near(shares: dict[str, float], expected: dict[str, float]) -> bool:
    """Whether the shares are the expected ones; a station that is not expected has none."""
    return all(abs(shares.get(s, 0) - expected.get(s, 0)) < 1e-6 for s in shares.keys() | expected.keys())


@few
@given(tenths, tenths, process, process)
def test_s1_the_whole_way_of_a_part_is_the_chain(load: float, travel: float, p1: float, p2: float) -> None:
    made = robot_cell("s1", load=load, travel=travel, p1=p1, p2=p2, parts=24)
    cycle = 6 * load + 6 * travel + p1 + p2
    assert made.cycle_s() == pytest.approx(cycle)
    assert near(gate(made), {"m1": p1 / cycle, "m2": p2 / cycle, "rob": (6 * load + 6 * travel) / cycle})


@settings(few, max_examples=10)
@given(tenths, tenths, process, process)
def test_s2_the_gate_is_robot_or_machine_on_either_side_of_the_switch_over(
    load: float, travel: float, p1: float, p2: float
) -> None:
    way, waits = 2 * load + 4 * travel, 2 * travel + load + CLEAR_S
    longest = max(way, p1, p2)
    assume(
        all(p == longest or longest - p > waits for p in (p1, p2))
        and p1 != p2
        and abs(longest - way) > CLEAR_S * (longest != way)
    )
    made, expected = robot_cell_s2(load, travel, p1, p2)
    assert near(gate(made), expected)


@settings(few, max_examples=10)
@given(tenths, tenths, process, process, st.sampled_from([0.0, 0.5, 2.0]))
def test_two_grippers_the_gate_is_the_robots_round_or_the_machine_with_its_swap(
    load: float, travel: float, p1: float, p2: float, switch: float
) -> None:
    swap = 2 * load + switch
    circuits = {"rob": 6 * load + 6 * travel + 2 * switch, "m1": p1 + swap, "m2": p2 + swap}
    name = max(circuits, key=lambda c: circuits[c])
    cycle = circuits[name]
    near_by = travel + load  # the way since the robot's last record before a machine
    assume(all(cycle - circuits[c] > (c != "rob") * near_by + CLEAR_S for c in circuits.keys() - {name}))
    made = robot_cell("dual", load=load, travel=travel, p1=p1, p2=p2, switch=switch, parts=30)
    assert made.cycle_s() == pytest.approx(cycle)
    assert near(gate(made), {"rob": 1.0} if name == "rob" else {name: 1 - swap / cycle, "rob": swap / cycle})


def test_the_published_robot_cell_is_gated_by_its_slower_machine() -> None:
    check = Check("robot_cell_two_machines")
    made = robot_cell("s2", load=check.load_unload, travel=check.travel, p1=check.p1, p2=check.p2, parts=24)
    assert check.agrees("cycle_s2", made.cycle_s())
    assert near(gate(made), {"m2": check.p2 / 42, "rob": 12 / 42})


def test_the_line_that_grows_at_its_maximum_cycle_mean_is_gated_by_that_circuit() -> None:
    check = Check("maxplus_three_station_line")
    made = serial_line([40, 50, 45], [0, 0], 40)
    assert check.agrees("eigenvalue", made.cycle_s())
    assert near(gate(made), {"s2": 1.0})


@pytest.mark.parametrize("pallets", [4, 6])
def test_with_pallets_enough_the_slowest_station_gates_the_loop(pallets: int) -> None:
    check = Check("closed_loop_pallets")
    assert near(gate(roomy_loop(check.times, check.transport, pallets, 30)), {"s2": 1.0})


@pytest.mark.xfail(strict=True, reason="where every time is constant a log cannot tell which of two steady links binds")
def test_near_the_switch_over_a_robot_that_says_nothing_did_not_wait() -> None:
    made, expected = robot_cell_s2(0.5, 0.9, 0.5, 3.8)  # the way takes 4.6 s
    assert near(gate(made), expected)


@pytest.mark.parametrize("pallets", [1, 2])
def test_with_too_few_pallets_every_station_of_the_loop_gates_for_its_own_time(pallets: int) -> None:
    """The ways between are not logged; they stand with a station. But none has more than its time and the ways."""
    check = Check("closed_loop_pallets")
    shares, loop = gate(roomy_loop(check.times, check.transport, pallets, 30)), sum(check.times) + sum(check.transport)
    for name, time in zip(("s1", "s2", "s3"), check.times, strict=True):
        assert time / loop - 1e-6 <= shares.get(name, 0) <= (time + sum(check.transport)) / loop + 1e-6


@pytest.mark.parametrize(
    ("name", "times", "way", "recover"),
    [("maxplus_heidergott", [2, 3], [1, 2], [0, 0]), ("maxplus_baccelli", [2, 4], [0, 3], [1, 0])],
)
def test_the_textbook_max_plus_systems_are_gated_by_their_loop(
    name: str, times: list[float], way: list[float], recover: list[float]
) -> None:
    made = roomy_loop(times, way, 2, 40, recover)
    assert Check(name).agrees("eigenvalue", made.cycle_s(2))
    assert all(gate(made).get(f"s{j + 1}", 0) >= t / (sum(times) + sum(way)) - 1e-6 for j, t in enumerate(times))


def test_a_loop_with_few_places_is_gated_by_its_slowest_station_with_its_moves() -> None:
    check = Check("closed_loop_few_places")
    made = tight_loop(check.times, check.move, 3, 60)
    assert check.agrees("cycle_3", made.cycle_s(3))
    assert near(gate(made), {"s2": (12 + 3) / 18, "s1": 3 / 18})  # its work, its move away, and the move to it


def charged_s(made: Made, station: str) -> float:
    """Seconds of the chain that the stops of a station are charged with."""
    own = chain_of(made).filter((pl.col("station") == station) & (pl.col("cause") == "A1"))
    return int((own["us"] - own["absorbed_us"]).sum()) / S


lines_with_a_stop = st.tuples(
    st.sampled_from([([8.0, 10.0], 0), ([10.0, 8.0], 1), ([8.0, 10.0, 9.0], 0)]),
    st.integers(1, 6), st.integers(10, 140), st.integers(0, 9),
)  # fmt: skip


def with_and_without(case: tuple[tuple[list[float], int], int, int, int]) -> tuple[Made, float, float]:
    """A line with a stop; how long the stop is, and by how much the last part left later because of it."""
    (times, station), places, length, phase = case
    buffers = [places] * (len(times) - 1)
    stopped = serial_line(times, buffers, 160, stops=[Stop(station, 600 + phase, length)])
    plain = serial_line(times, buffers, 160)
    return stopped, float(length), float(stopped.leave_s[-1] - plain.leave_s[-1])


@few
@given(lines_with_a_stop)
def test_a_stop_is_charged_what_it_cost(
    case: tuple[tuple[list[float], int], int, int, int],
) -> None:
    stopped, length, lost = with_and_without(case)
    assert 0 <= lost <= length
    assert charged_s(stopped, f"s{case[0][1] + 1}") == pytest.approx(lost, abs=1e-3)


@few
@given(lines_with_a_stop)
def test_a_stop_that_a_buffer_absorbs_wholly_is_charged_nothing(
    case: tuple[tuple[list[float], int], int, int, int],
) -> None:
    line, places, length, phase = case
    stopped, _, lost = with_and_without((line, places, min(length, 8 * places), phase))
    assert lost == 0
    assert charged_s(stopped, f"s{line[1] + 1}") == 0


@pytest.mark.parametrize(("times", "station"), [([8.0, 10.0], 0), ([10.0, 8.0], 1), ([8.0, 10.0, 9.0], 0)])
def test_a_stop_of_which_a_buffer_absorbs_a_minute_is_charged_a_minute_less(times: list[float], station: int) -> None:
    def line(places: int) -> Made:
        return serial_line(times, [places] * (len(times) - 1), 160, stops=[Stop(station, 603, 100)])

    plain, buffered = line(0), line(6)
    assert plain.leave_s[-1] - buffered.leave_s[-1] == pytest.approx(60, abs=8)  # and the fill of the buffer itself
    name = f"s{station + 1}"
    assert charged_s(plain, name) - charged_s(buffered, name) == pytest.approx(60, abs=1)
