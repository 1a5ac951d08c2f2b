"""The lines that other tests stand on keep their own closed forms, before any analysis reads their logs."""

from __future__ import annotations

import networkx as nx
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.reference.lines import Stop, serial_line
from tests.reference.loops import roomy_loop, tight_loop
from tests.reference.robot_cells import robot_cell
from tests.reference.values import Check

some_s = st.floats(0.5, 20).map(lambda s: round(s, 3))


def test_the_deterministic_line_is_done_when_its_makespan_says() -> None:
    check = Check("deterministic_line_accounts")
    made = serial_line(check.times, check.buffers, check.parts)
    assert check.agrees("makespan", made.leave_s[-1])
    assert check.agrees("steady_cycle", made.cycle_s())


def test_work_rests_during_a_stop_and_a_stop_between_works_delays_the_next() -> None:
    within = serial_line([10.0], [], 3, stops=[Stop(0, 12, 30)])
    assert list(within.leave_s) == [10, 50, 60]
    before = serial_line([10.0, 4.0], [0], 3, stops=[Stop(1, 15, 10)])  # s2 is empty from 14 to 20
    assert list(before.leave_s) == [14, 29, 34]


@pytest.mark.parametrize("pallets", [1, 2, 3, 4, 6])
def test_a_loop_with_room_turns_at_its_closed_form(pallets: int) -> None:
    check = Check("closed_loop_pallets")
    assert check.agrees(f"cycle_{pallets}", roomy_loop(check.times, check.transport, pallets, 40).cycle_s(pallets))


@pytest.mark.parametrize("name", ["closed_loop_few_places", "closed_loop_too_many_pallets"])
@pytest.mark.parametrize("pallets", [1, 2, 3])
def test_a_loop_with_few_places_turns_at_its_closed_form(name: str, pallets: int) -> None:
    check = Check(name)
    assert check.agrees(f"cycle_{pallets}", tight_loop(check.times, check.move, pallets, 80).cycle_s(pallets))


@pytest.mark.parametrize(("name", "times", "way", "recover"), [
    ("maxplus_heidergott", [2, 3], [1, 2], [0, 0]),
    ("maxplus_baccelli", [2, 4], [0, 3], [1, 0]),
])  # fmt: skip
def test_a_textbook_max_plus_system_is_a_loop_of_two_pallets(
    name: str, times: list[float], way: list[float], recover: list[float]
) -> None:
    check = Check(name)
    (a, b), (back, forth) = (
        (times[0] + recover[0], times[1] + recover[1]), (times[1] + way[1], times[0] + way[0])
    )  # fmt: skip
    assert [[a, back], [forth, b]] == check.A
    assert check.agrees("eigenvalue", maximum_cycle_mean(np.asarray(check.A)))
    assert check.agrees("eigenvalue", roomy_loop(times, way, 2, 50, recover).cycle_s(2))


def test_the_three_station_line_grows_at_its_maximum_cycle_mean() -> None:
    check = Check("maxplus_three_station_line")
    assert check.agrees("eigenvalue", maximum_cycle_mean(np.asarray(check.A)))
    assert check.agrees("eigenvalue", serial_line([40, 50, 45], [0, 0], 40).cycle_s())


def test_the_two_one_unit_cycles_of_a_robot_cell_have_their_published_times() -> None:
    check = Check("robot_cell_two_machines")
    given_ = {"load": check.load_unload, "travel": check.travel, "p1": check.p1, "p2": check.p2, "parts": 30}
    assert check.agrees("cycle_s1", robot_cell("s1", **given_).cycle_s())
    assert check.agrees("cycle_s2", robot_cell("s2", **given_).cycle_s())


@settings(max_examples=60, deadline=None)
@given(some_s, some_s, some_s, some_s, some_s, st.sampled_from(["s1", "s2", "dual"]))
def test_a_robot_cell_turns_at_its_closed_form(
    load: float, travel: float, p1: float, p2: float, switch: float, pattern: str
) -> None:
    made = robot_cell(pattern, load=load, travel=travel, p1=p1, p2=p2, switch=switch, parts=40)  # type: ignore[arg-type]
    assert made.cycle_s() == pytest.approx(made.facts["cycle_s"], rel=1e-9)


def maximum_cycle_mean(weights: np.ndarray) -> float:
    """The largest mean weight of a circuit, circuits listed by a library; weight i, j leads from j to i."""
    graph = nx.DiGraph()
    for i, j in zip(*np.nonzero(weights > -1e8), strict=True):
        graph.add_edge(int(j), int(i), weight=float(weights[i, j]))
    circuits = list(nx.simple_cycles(graph))
    return max(sum(graph[a][b]["weight"] for a, b in zip(c, [*c[1:], c[0]], strict=True)) / len(c) for c in circuits)
