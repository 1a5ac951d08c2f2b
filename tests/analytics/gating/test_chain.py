"""The gating chain on small logs: whom the cell waited for, piece by piece."""

from __future__ import annotations

from datetime import datetime, timedelta

import numpy as np
import polars as pl
import pytest

from analytics.gating.walk import walk
from tests.logs import at, book, cell, log, plant

LINE = {
    "stations": [
        {"name": "press", "kind": "machine"},
        {"name": "belt", "kind": "buffer", "from": ["press"], "capacity": 3},
        {"name": "pack", "kind": "machine", "from": ["belt"]},
    ],
    "products": [{"name": "dish", "takt_s": 10, "cycle_s": {"press": 10, "pack": 8}}],
}
ROBOT = {
    "outlet": "out",
    "stations": [
        {"name": "bowl", "kind": "feeder"},
        {"name": "cam", "kind": "inspection", "from": ["bowl"], "entry": True},
        {"name": "arm", "kind": "robot", "from": ["cam"]},
        {"name": "out", "kind": "carrier", "from": ["arm"]},
    ],
    "products": [{"name": "dish", "takt_s": 10, "cycle_s": {"cam": 2, "arm": 8, "out": 1}}],
    "causes": [{"code": "A1", "text": "jam"}, {"code": "C1", "line": "waiting_people"}],
}


def clock(seconds: float) -> str:
    return (datetime(2026, 1, 1, 6) + timedelta(seconds=seconds)).strftime("%H:%M:%S.%f")


def line_log(cycles: list[float], first: float = 0, pack: float = 8) -> str:
    """Press cycles of these lengths, one after the other; pack takes each part a second after it left the press."""
    rows, now, free = [], first, 0.0
    for n, length in enumerate(cycles):
        rows += [(now, f"press starts P{n} product=dish"), (now, f"press in P{n}")]
        now += length
        rows += [(now, f"press ends P{n}"), (now, f"press out P{n}")]
        start = max(now + 1, free)
        free = start + pack
        rows += [(start, f"pack in P{n}"), (start, f"pack starts P{n} product=dish")]
        rows += [(free, f"pack ends P{n}"), (free, f"pack out P{n}")]
    return "\n".join(f"{clock(t)} {text}" for t, text in sorted(rows, key=lambda row: row[0]))


def robot_log(parts: int, extra: dict[float, str] | None = None, late: dict[int, float] | None = None) -> str:
    """Parts every 8 s: the camera looks (2 s), the arm fetches (3 s) and puts (5 s); `late`: what part n waits for."""
    rows, now = [(t, text) for t, text in (extra or {}).items()], 0.0
    for n in range(parts):
        shown = now + (late or {}).get(n, 0)
        if shown > now:
            rows += [(now, "arm state starved text=part"), (shown, "arm state running")]
        rows += [(shown - 2, f"cam starts P{n} product=dish"), (shown - 2, f"cam in P{n}"), (shown, f"cam ends P{n}")]
        rows += [(shown + 3, f"arm step FETCH part=P{n} at=cam"), (shown + 3, f"cam out P{n}")]
        rows += [
            (shown + 8, f"arm step PUT part=P{n} at=out"),
            (shown + 8, f"arm ends P{n}"),
            (shown + 8, f"out in P{n}"),
        ]
        rows += [
            (shown + 8, f"out starts P{n} product=dish"),
            (shown + 9, f"out ends P{n}"),
            (shown + 9, f"out out P{n}"),
        ]
        now = shown + 8
    return "\n".join(f"{clock(t + 10)} {text}" for t, text in sorted(rows, key=lambda row: row[0]))


def chain(tmp_path, text: str, *, plant_file=None, **model) -> pl.DataFrame:
    opened = book(tmp_path, log(text), plant_file, cell(**model))
    opened.build("a1")
    return opened.fact("a1", "chain")


def seconds(rows: pl.DataFrame, *names: str) -> dict:
    busy = rows.filter(pl.col("plan") == "busy").group_by(names).agg(pl.col("us").sum() / 1e6).rows()
    return {row[:-1] if len(names) > 1 else row[0]: row[-1] for row in busy if row[-1]}


def between(rows: pl.DataFrame, first: float, last: float) -> pl.DataFrame:
    a, b = at(clock(first)[:8]), at(clock(last)[:8])
    cut = rows.filter((pl.col("start_us") < b) & (pl.col("end_us") > a)).with_columns(
        pl.col("start_us").clip(a, b), pl.col("end_us").clip(a, b)
    )
    return cut.with_columns(us=pl.col("end_us") - pl.col("start_us"))


# ---- what is charged to whom


def test_the_slower_station_paces_the_cell(tmp_path):
    rows = between(chain(tmp_path, line_log([10.0] * 40), **LINE), 50, 350)
    assert seconds(rows, "station", "line") == {("press", "work"): 300}


def test_a_stop_without_alarm_is_what_the_cycle_took_too_long(tmp_path):
    rows = between(chain(tmp_path, line_log([10.0] * 20 + [24.0] + [10.0] * 20), **LINE), 50, 350)
    assert seconds(rows, "station", "line", "cause") == {
        ("press", "work", None): 286,
        ("press", "micro_stop", "no alarm"): 14,
    }


def test_what_stays_longer_than_planned_is_slow_running(tmp_path):
    rows = between(chain(tmp_path, line_log([10.0] * 20 + [11.5] * 20), **LINE), 0, 430)
    assert seconds(rows, "station", "line") == {("press", "work"): 400, ("press", "slow_cycle"): 30}


def test_an_alarm_within_a_cycle_has_its_own_length_and_cause(tmp_path):
    text = line_log([10.0] * 20 + [110.0] + [10.0] * 20)
    text += f"\n{clock(203)} press alarm A1\n{clock(303)} press clear A1"
    rows = between(chain(tmp_path, text, **LINE), 50, 350)
    assert seconds(rows, "station", "line", "cause") == {
        ("press", "work", None): 200,
        ("press", "breakdown", "A1"): 100,
    }
    (stop,) = rows.filter(pl.col("cause") == "A1").iter_rows(named=True)
    assert stop["log_line"] is not None, "a piece leads back to the lines of its alarm"


def test_a_robot_that_waits_for_a_part_leads_to_whoever_brings_it(tmp_path):
    text = robot_log(30, {100.0: "bowl alarm A1", 118.0: "bowl clear A1"}, late={13: 20.0})
    rows = between(chain(tmp_path, text, **ROBOT), 60, 200)
    got = seconds(rows, "station", "line", "cause")
    assert got["bowl", "micro_stop", "A1"] == 18
    assert ("arm", "unexplained", None) not in got
    assert sum(got.values()) == 140


def test_a_wait_for_people_of_the_whole_cell_belongs_to_no_station(tmp_path):
    text = robot_log(30, {104.0: "* alarm C1", 124.0: "* clear C1"}, late={13: 22.0})
    rows = between(chain(tmp_path, text, **ROBOT), 60, 200)
    assert seconds(rows, "station", "line")[None, "waiting_people"] == 20


def test_a_planned_stop_is_cut_out_and_a_step_under_way_is_finished_first(tmp_path):
    shifts = [{"name": "early", "start": "06:00", "end": "14:00", "breaks": [{"start": "06:03", "end": "06:13"}]}]
    before = line_log([10.0] * 18)
    after = line_log([10.0] * 18, first=780)
    rows = chain(tmp_path, before + "\n" + after.replace(" P", " Q"), plant_file=plant(shifts=shifts), **LINE)
    assert seconds(between(rows, 20, 900), "line") == {"work": 280}
    assert rows.filter(pl.col("plan") != "busy")["us"].sum() > 0


def test_the_buffer_that_runs_empty_charges_only_what_it_could_not_cover(tmp_path):
    """Pack is slower and lives on three parts of the belt while the press stands for 50 s."""
    quick = {**LINE, "products": [{"name": "dish", "takt_s": 10, "cycle_s": {"press": 5, "pack": 10}}]}
    rows, now, free, places = [], 0.0, 0.0, []
    for n in range(60):
        start = now
        done = start + 5 + (50 if n == 30 else 0)
        left = max(done, places[n - 3] if n >= 3 else 0)  # the belt has three places
        began = max(left, free)
        free = began + 10
        places.append(began)
        rows += [(start, f"press in P{n}"), (start, f"press starts P{n} product=dish"), (done, f"press ends P{n}")]
        rows += [(left, f"press out P{n}"), (began, f"pack in P{n}"), (began, f"pack starts P{n} product=dish")]
        rows += [(free, f"pack ends P{n}"), (free, f"pack out P{n}")]
        now = left
    text = "\n".join(f"{clock(t)} {word}" for t, word in sorted(rows, key=lambda row: row[0]))
    charged = chain(tmp_path, text, **quick).filter(pl.col("line") == "micro_stop")
    waited = places[30] - (places[29] + 10)
    net = (charged["us"] - charged["absorbed_us"]).sum() / 1e6
    assert net == pytest.approx(waited)
    assert charged["us"].sum() / 1e6 == pytest.approx(50)


# ---- what it had to go on


def basis(tmp_path, text: str, **model) -> dict:
    opened = book(tmp_path, log(text), None, cell(**model))
    opened.build("a1")
    return opened.fact("a1", "gating").row(0, named=True)


def test_it_says_that_it_had_robot_steps_cycles_or_only_states(tmp_path):
    assert basis(tmp_path / "a", robot_log(5), **ROBOT)["basis"] == "robot steps"
    assert basis(tmp_path / "b", line_log([10.0] * 5), **LINE)["basis"] == "station cycles"
    states = "06:00:00 press state running\n06:10:00 press state stopped\n06:20:00 press state running"
    assert basis(tmp_path / "c", states, **LINE)["basis"] == "states only"


def test_with_states_only_each_instant_is_charged_for_itself(tmp_path):
    text = """
        06:00:00 press state running
        06:00:00 pack state running
        06:10:00 press state stopped
        06:10:00 pack state starved
        06:20:00 press state running
        06:20:00 pack state running
    """
    rows = between(chain(tmp_path, text, **LINE), 0, 1800)
    assert rows["thread"].unique().to_list() == ["instant"]
    assert seconds(rows, "station", "line")["press", "breakdown"] == 600


def test_one_event_gives_an_account_that_closes(tmp_path):
    rows = chain(tmp_path, "06:00:00 press starts P1 product=dish", **LINE)
    assert rows["us"].sum() == 24 * 3600 * 1_000_000


@pytest.mark.parametrize(
    "odd",
    [
        "06:00:20 press starts X1 product=dish\n06:00:22 press starts X2 product=dish\n06:00:30 press ends X1",
        "06:00:20 pack in P1\n06:00:21 press in P1\n06:00:22 press starts P1",
        "06:00:20 press starts Y1 product=nobody\n06:00:29 press ends Y1\n06:00:29 press out Y1",
        "06:00:20 press state running\n06:00:20 press state stopped\n06:00:20 press state starved",
        "06:00:20 press starts\n06:00:28 press ends\n06:00:28 press out",
    ],
    ids=["overlapping", "backwards", "unknown product", "contradictory", "no part numbers"],
)
def test_odd_records_leave_it_whole(tmp_path, odd):
    rows = chain(tmp_path, line_log([10.0] * 12) + "\n" + odd, **LINE).sort("start_us")
    assert rows["us"].sum() == 24 * 3600 * 1_000_000
    assert (rows["start_us"] == rows["end_us"].shift(1)).drop_nulls().all()
    assert (rows["us"] > 0).all()


# ---- the walk


def test_the_walk_finds_every_ancestor_in_order():
    rng = np.random.default_rng(4)
    before = np.array([-1, *(rng.integers(0, n) for n in range(1, 3000))])
    way, here = [], 2999
    while here >= 0:
        way.append(here)
        here = int(before[here])
    assert walk(before, 2999).tolist() == way


def test_a_ring_ends_where_it_would_begin_again():
    assert walk(np.array([2, 0, 1, 2]), 3).tolist() == [3, 2, 1, 0]


def test_a_robot_that_only_ever_waits_has_no_usual_share_of_its_plan(tmp_path):
    """Its steps end with the wait before them: nothing is left for work, and nothing is divided by it."""
    rows = "\n".join(
        f"{clock(10 * n)} arm state starved\n{clock(10 * n + 10)} arm state running\n"
        f"{clock(10 * n + 10)} arm step PUT part=P{n} product=dish\n{clock(10 * n + 10)} arm ends P{n} product=dish\n"
        f"{clock(10 * n + 10)} out out P{n}"
        for n in range(6)
    )
    whole = chain(tmp_path, rows, **ROBOT)
    assert whole["us"].sum() == 24 * 3600 * 1_000_000


def test_a_changeover_whose_end_was_lost_is_over_when_work_takes_its_usual_time(tmp_path):
    text = line_log([10.0] * 20 + [70.0] + [10.0] * 20) + f"\n{clock(0)} * mode automatic\n{clock(205)} * mode setup"
    rows = between(chain(tmp_path, text, **LINE), 50, 450)
    assert seconds(rows, "line")["changeover"] <= 65
    assert seconds(rows, "station", "line")["press", "work"] >= 335


@pytest.mark.parametrize("modes", [True, False])
def test_the_first_part_of_an_order_waited_for_the_end_of_the_one_before(tmp_path, modes):
    """Also where the change of mode was lost: else the walk would go back along the entry, which was done long before.

    The press has made its last part 100 s before pack has: those 100 s are pack's, whose cycles take 18 s.
    """
    first, second = line_log([10] * 12, pack=18), line_log([10] * 12, first=900).replace(" P", " Q")
    told = ["06:03:47 * order_end O1", "06:14:00 * order O2 product=dish"]
    if modes:
        told += ["06:03:48 * mode setup", "06:14:30 * mode automatic"]
    text = "\n".join(["06:00:00 * order O1 product=dish", "06:00:00 * mode automatic", first, *told, second])
    opened = book(tmp_path, log(text), plant(), cell(**LINE))
    opened.build("a1")
    before = (
        opened.fact("a1", "chain")
        .filter(pl.col("end_us") <= at("06:03:47"))
        .filter(pl.col("start_us") > at("06:00:40"))
    )
    assert before.filter(pl.col("line").is_in(["work", "slow_cycle"]))["station"].unique().to_list() == ["pack"]
