"""What the tool finds in the sample plant's logs, held against the generator's exact truth."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest

from analytics.account import account
from analytics.ledger import NO_ALARM
from tests.sample import CELLS, SPOON_STATIONS, TIMER_STATIONS, all_shifts, sample_plant, truth

WORK = ("run", "slow", "good", "slow_cycle", "reject", "start_up_reject", "rework", "fast_cycle")
OWN_STOPS = ("breakdown", "micro_stop", "safety_stop")
STATIONS = [("spoon", s) for s in SPOON_STATIONS] + [("timer", s) for s in TIMER_STATIONS]


def lanes(cell: str) -> list[tuple[str, str, str | None]]:
    return [tuple(row) for row in sample_plant().cell(cell).lanes().select("lane", "station", "nest").rows()]


def of_lane(frame: pl.DataFrame, cell: str, station: str, nest: str | None) -> pl.DataFrame:
    return frame.filter(
        (pl.col("cell") == cell) & (pl.col("station") == station) & pl.col("nest").eq_missing(pl.lit(nest))
    )


def pieces(cell: str, lane: str) -> pl.DataFrame:
    return (
        sample_plant()
        .fact(cell, "ledger")
        .filter((pl.col("lane") == lane) & (pl.col("start_us") < pl.col("end_us")))
        .sort("start_us")
    )


def states_side_by_side(
    cell: str, lane: str, station: str, nest: str | None
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Lengths (microseconds) of planned busy time, with the true and the derived state of each piece.

    All that happens inside a cycle is one state here: where in a cycle an unlogged stop lay, no log can tell.
    """
    silent = of_lane(truth("stops"), cell, station, nest).filter(~pl.col("alarm") & pl.col("line").is_in(OWN_STOPS))
    true = of_lane(truth("intervals"), cell, station, nest).sort("start_us")
    true = true.with_columns(
        state=pl.when(pl.col("line").is_in(WORK) | pl.col("start_us").is_in(silent["start_us"].implode()))
        .then(pl.lit("cycle"))
        .otherwise("line")
    )
    derived = pieces(cell, lane).with_columns(
        state=pl.when(pl.col("plan") != "busy")
        .then(pl.lit("not busy"))
        .when(pl.col("line").is_in(WORK) | (pl.col("cause") == NO_ALARM).fill_null(False))
        .then(pl.lit("cycle"))
        .otherwise("line")
    )
    edges = np.unique(np.concatenate([true["start_us"], derived["start_us"], derived["end_us"]]))
    at = edges[:-1]

    def state(frame: pl.DataFrame) -> np.ndarray:
        return frame["state"].to_numpy()[np.searchsorted(frame["start_us"].to_numpy(), at, side="right") - 1]

    found = state(derived)
    busy = found != "not busy"
    return np.diff(edges)[busy], state(true)[busy], found[busy]


@pytest.mark.parametrize("cell", CELLS)
def test_station_states_are_right_in_all_but_half_a_percent_of_planned_busy_time(cell):
    checked = 0
    for lane, station, nest in lanes(cell):
        if of_lane(truth("intervals"), cell, station, nest).is_empty():
            continue  # belts have no truth of their own
        length, true, found = states_side_by_side(cell, lane, station, nest)
        wrong = length[true != found].sum() / length.sum()
        assert wrong <= 0.005, f"{lane}: {wrong:.3%}"
        checked += 1
    assert checked >= 6


@pytest.mark.parametrize(("cell", "station"), STATIONS)
def test_lines_of_every_shift_agree_with_the_truth(cell, station):
    """Each line's seconds per shift, and with it the places that the instant-by-instant test calls one state."""
    names = {"run": ("good", "reject", "start_up_reject", "rework", "fast_cycle"), "slow": ("slow_cycle",)}
    same = ("micro_stop", "breakdown", "safety_stop", "changeover", "carrier_change", "waiting_people",
            "waiting_material", "no_order", "starved", "blocked", "no_data")  # fmt: skip
    names |= {line: (line,) for line in same}
    shifts = truth("shifts").filter((pl.col("cell") == cell) & (pl.col("station") == station))
    for a in account(sample_plant(), cell, all_shifts(sample_plant(), cell), station=station):
        day, shift = a.window.key.split()
        true = shifts.filter((pl.col("day") == day) & (pl.col("shift") == shift))
        assert a.planned_busy_us == true["planned_busy_us"].sum()
        wrong = sum(abs(a.us(*ours) - int(true[f"{theirs}_us"].sum())) for theirs, ours in names.items()) / 2
        assert wrong / a.planned_busy_us <= 0.01, f"{a.window.key}: {wrong / 1e6:.0f} s"


@pytest.mark.parametrize(("cell", "station"), STATIONS)
def test_oee_and_its_factors_of_every_shift_are_within_a_fifth_of_a_point(cell, station):
    """ISO 22400-2: APT from the true states, PRI x PQ and PRI x GQ from the true cycles.

    A cycle counts for a shift by the share of its working time that lies in the shift's planned busy time.
    """
    plant = sample_plant()
    of_station = (pl.col("cell") == cell) & (pl.col("station") == station)
    shifts, cycles = truth("shifts").filter(of_station), truth("cycles").filter(of_station)
    visit = ["nest", "part"]
    planned = cycles.group_by(visit).agg(pl.col("planned_us").sum(), pl.col("quality").first())
    runs = truth("intervals").filter(of_station & pl.col("line").is_in(["run", "slow"]) & pl.col("part").is_not_null())
    whole = runs.group_by(visit).agg(whole_us=(pl.col("end_us") - pl.col("start_us")).sum())
    lane = next(lane for lane, name, _ in lanes(cell) if name == station)
    busy = plant.fact(cell, "plan").filter((pl.col("plan") == "busy") & (pl.col("lane") == lane))
    for a in account(plant, cell, all_shifts(plant, cell), station=station):
        day, shift = a.window.key.split()
        true = shifts.filter((pl.col("day") == day) & (pl.col("shift") == shift))
        spans = busy.filter((pl.col("start_us") < a.window.to_us) & (pl.col("end_us") > a.window.from_us))
        inside = runs.join(spans.select(s="start_us", e="end_us"), how="cross").with_columns(
            start_us=pl.max_horizontal("start_us", "s", pl.lit(a.window.from_us)),
            end_us=pl.min_horizontal("end_us", "e", pl.lit(a.window.to_us)),
        )
        inside = inside.filter(pl.col("start_us") < pl.col("end_us"))
        done = (
            inside.group_by(visit)
            .agg(in_us=(pl.col("end_us") - pl.col("start_us")).sum())
            .join(whole, on=visit, nulls_equal=True)
            .join(planned, on=visit, nulls_equal=True)
            .with_columns(ideal=pl.col("planned_us") * pl.col("in_us") / pl.col("whole_us"))
        )
        ideal, good = done["ideal"].sum(), done.filter(pl.col("quality") == "good")["ideal"].sum()
        pbt = true["planned_busy_us"].sum()
        apt = true["run_us"].sum() + true["slow_us"].sum()
        want = {
            "availability": apt / pbt,
            "effectiveness": ideal / apt,
            "quality_ratio": good / ideal,
            "oee": good / pbt,
        }
        got = a.figures()
        for name, value in want.items():
            assert abs(got[name]["value"] - value) <= 0.002, f"{a.window.key} {name}"


@pytest.mark.parametrize("cell", CELLS)
def test_good_and_reject_counts_of_every_shift_are_exact(cell):
    plant = sample_plant()
    parts = truth("parts").filter(pl.col("cell") == cell)
    for a in account(plant, cell, all_shifts(plant, cell)):
        inside = (pl.col("done_us") >= a.window.from_us - 20_000) & (pl.col("done_us") < a.window.to_us - 20_000)
        done = parts.filter(inside)
        assert a.parts.good == done.filter(pl.col("outcome") == "good").height, a.window.key
        assert a.parts.taken_out == done.filter(pl.col("outcome") == "removed").height
        want = dict(done.filter(pl.col("outcome") == "reject").group_by("cause").len().rows())
        assert a.parts.rejects == want, a.window.key


@pytest.mark.parametrize("cell", CELLS)
def test_every_part_has_its_true_fate_cause_and_set(cell):
    moves = sample_plant().fact(cell, "moves")
    found = moves.filter(pl.col("move").is_in(["good", "reject", "removed"]))
    true = truth("parts").filter((pl.col("cell") == cell) & (pl.col("outcome") != "inside"))
    both = found.join(true, on="part", how="full", suffix="_true")
    assert both.height == true.height == found.height
    assert (both["move"] == both["outcome"]).all()
    rejected = both.filter(pl.col("move") == "reject")
    assert (rejected["cause"] == rejected["cause_true"]).all()
    assert (rejected["station"] == rejected["station_true"]).all()
    assert (rejected["start_up"] == rejected["start_up_true"]).all()
    placed = both.filter(pl.col("move") == "good")
    assert placed.filter(pl.col("set").ne_missing(pl.col("set_true"))).is_empty()


@pytest.mark.parametrize("cell", CELLS)
def test_stops_of_five_seconds_and_more_are_found_and_no_others(cell):
    def long(frame: pl.DataFrame) -> pl.DataFrame:
        length = pl.col("end_us") - pl.col("start_us")
        return frame.filter(pl.col("line").is_in(OWN_STOPS) & (length >= 5_000_000))

    found = long(sample_plant().fact(cell, "stops")).with_row_index("found")
    true = long(truth("stops").filter(pl.col("cell") == cell)).with_row_index("true")
    # A stop without alarm is only known to lie in its cycle.
    true = true.with_columns(
        from_us=pl.coalesce("cycle_start_us", "start_us"), to_us=pl.coalesce("cycle_end_us", "end_us")
    )
    pairs = found.join(true, on=["station", "nest", "alarm"], how="inner", nulls_equal=True, suffix="_true").filter(
        (pl.col("start_us") < pl.col("to_us") + 20_000) & (pl.col("end_us") > pl.col("from_us") - 20_000)
    )
    precision, recall = pairs["found"].n_unique() / found.height, pairs["true"].n_unique() / true.height
    assert precision >= 0.98
    assert recall >= 0.98
    assert true.height > 300
    named = pairs.filter(pl.col("alarm"))
    assert (named["cause"] == named["cause_true"]).mean() >= 0.98


@pytest.mark.parametrize("cell", CELLS)
def test_the_availability_of_a_cell_agrees_with_the_generators_gating_record(cell):
    """The record charges the whole of a stop that gated; the account gives back what buffers absorbed of it."""
    plant = sample_plant()
    record = truth("gating").filter(
        (pl.col("cell") == cell) & ~pl.col("line").is_in(["work", "slow_cycle", "planned_stop"])
    )
    plan = plant.fact(cell, "plan").filter((pl.col("lane") == "*") & (pl.col("plan") == "busy"))
    chain = plant.fact(cell, "chain").filter(pl.col("plan") == "busy")
    within = pl.min_horizontal("end_us", "end_us_plan") - pl.max_horizontal("start_us", "start_us_plan")
    for a in account(plant, cell, all_shifts(plant, cell)):
        inside = (pl.col("start_us") < a.window.to_us) & (pl.col("end_us") > a.window.from_us)
        busy = plan.filter(inside).select(
            start_us_plan=pl.max_horizontal("start_us", pl.lit(a.window.from_us)),
            end_us_plan=pl.min_horizontal("end_us", pl.lit(a.window.to_us)),
        )
        lost_us = record.filter(inside).join(busy, how="cross").select(within.clip(0, None).sum()).item()
        absorbed_us = chain.filter((pl.col("start_us") >= a.window.from_us) & (pl.col("start_us") < a.window.to_us))[
            "absorbed_us"
        ].sum()
        want = 1 - (lost_us - absorbed_us) / a.planned_busy_us
        assert abs(a.figures()["availability"]["value"] - want) <= 0.003, (a.window.key, want)
