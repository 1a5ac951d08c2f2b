"""Short stops without an alarm, slow running, what is told about them; by hand and against the generator's truth."""

from __future__ import annotations

import random
from functools import cache
from pathlib import Path
from tempfile import mkdtemp

import numpy as np
import polars as pl
import pytest

from analytics.book import Plant, open_plant
from analytics.pace import FENCE, STOP, judge, local_level
from analytics.pace_changes import slow_windows
from analytics.studies.short_stops import ran
from analytics.studies.short_stops.clusters import clusters
from analytics.studies.short_stops.counts import by_product, by_station
from analytics.studies.short_stops.listed import one_each, silent_stops
from analytics.studies.short_stops.preceded import event_types, preceded
from analytics.studies.short_stops.study import short_stops
from analytics.windows import day_window
from analytics.work import read_work, with_records
from ingest.load import load
from sample_logs.generator.calendar import Window as Days
from sample_logs.generator.make import make
from sample_logs.generator.scenario import SPOON_SLOW, TIMER_SLOW, Times
from tests import logs
from tests.sample import sample_plant, truth

SECOND = 1_000_000
HOUR = 3600 * SECOND
TEN_MINUTES = 600 * SECOND


def judged(lengths_s: np.ndarray, gap_s: float = 1.0, station: str = "press") -> pl.DataFrame:
    """Undisturbed cycles of one station, judged."""
    length = (lengths_s * SECOND).round().astype("int64")
    starts = np.concatenate([[0], np.cumsum(length + round(gap_s * SECOND))[:-1]])
    rows = pl.DataFrame({"start_us": starts, "end_us": starts + length, "began_us": starts})
    rows = rows.with_columns(
        station=pl.lit(station), lane=pl.lit(station), product=pl.lit("dish"), file=pl.lit("plc.log"),
        line=pl.int_range(pl.len(), dtype=pl.Int64), net_us="end_us",
    )  # fmt: skip
    return judge(local_level(rows))


@cache
def other_plant() -> tuple[Plant, pl.DataFrame]:
    """A day of the spoon cell from a seed that nothing was tuned on, and the truth about its stops."""
    out = Path(mkdtemp(prefix="taktbook-short-stops-"))
    make(out, days=1, cells=1, seed=4711, level=1, gating=False)
    load(out / "plant")
    return open_plant(out / "plant"), pl.read_parquet(out / "truth" / "stops.parquet")


@cache
def work(plant: Plant, cell: str) -> pl.DataFrame:
    plant.build(cell)
    with plant.tables(cell, plant.days(cell)) as con:
        return with_records(read_work(con).paced, con)


# --- stops without an alarm -------------------------------------------------------------------------------------------


@pytest.mark.parametrize("case", ["sample spoon", "sample timer", "other seed"])
def test_stops_without_alarm_are_found_and_hardly_anything_else(case):
    """Each planted one has a find on its lane at the same time, and each find a planted one: at least 95 % of both."""
    cell = "timer" if case == "sample timer" else "spoon"
    plant, true = other_plant() if case == "other seed" else (sample_plant(), truth("stops"))
    own = work(plant, cell)
    spread = own.group_by("station").agg(pl.col("spread_us").median())
    lane = pl.when(pl.col("nest").is_null()).then("station").otherwise(pl.concat_str("station", "nest", separator="."))
    planted = (
        true.filter((pl.col("cell") == cell) & (pl.col("cause") == "silent"))
        .join(spread, on="station")
        .filter(pl.col("end_us") - pl.col("start_us") >= 2 * pl.col("spread_us"))
        .with_columns(lane=lane)
        .with_row_index("planted")
    )
    found = silent_stops(own).with_row_index("found")
    both = planted.join(found.select("found", "lane", from_us="start_us", to_us="end_us"), on="lane").filter(
        (pl.col("from_us") < pl.col("end_us")) & (pl.col("to_us") > pl.col("start_us"))
    )
    assert planted.height > 60
    assert both["planted"].n_unique() / planted.height >= 0.95
    assert both["found"].n_unique() / found.height >= 0.95


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("shape", ["normal", "skewed"])
def test_stops_of_twice_the_natural_spread_are_found_among_scatter_of_any_shape(shape, seed):
    """Cycles of 17 s with a natural spread (six standard deviations, ISO 22514-1) of 1.8 s; 1 in 200 stops for more."""
    rng = np.random.default_rng(seed)
    n, sigma = 20_000, 0.3
    scatter = rng.normal(0, sigma, n) if shape == "normal" else sigma * (rng.gamma(4, 0.5, n) - 2)
    stopped = rng.uniform(size=n) < 1 / 200
    stop = np.where(stopped, 12 * sigma + rng.exponential(6, n), 0)
    found = (judged(17 + scatter + stop)["pace"] == STOP).to_numpy()
    assert (found & stopped).sum() / stopped.sum() >= 0.95
    assert (found & stopped).sum() / found.sum() >= 0.95


def test_stops_within_the_scatter_of_cycles_are_not_claimed():
    """Two standard deviations are passed by one ordinary cycle in 44: nobody can tell a stop of that length."""
    rng = np.random.default_rng(9)
    lengths = 17 + rng.normal(0, 0.5, 10_000)
    lengths[::100] += 2 * 0.5
    found = judged(lengths)
    assert FENCE > 2
    assert found.filter(pl.col("pace") == STOP).height <= 2


def test_a_stop_that_two_stations_felt_counts_once_and_at_the_station_that_stopped():
    """The brush stops within its own cycle while the robot holds the part: the robot's step is not another stop."""
    brush = judged(np.array([2.0] * 20 + [12.0] + [2.0] * 20), gap_s=8, station="brush")
    robot = judged(np.array([3.0] * 20 + [13.0] + [3.0] * 20), gap_s=7, station="robot").with_columns(
        step=pl.lit("BRUSH"), at=pl.lit("brush")
    )
    both = pl.concat([brush, robot], how="diagonal")
    listed = one_each(silent_stops(both), both)
    assert silent_stops(both)["station"].sort().to_list() == ["brush", "robot"]
    assert listed.select("station", "us").rows() == [("brush", 10 * SECOND)]


# --- slow running -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("seed", range(8))
def test_slow_running_of_eight_percent_is_found_within_ten_minutes_of_its_edges(seed):
    """Nothing else is found: no second window, and none on a station that keeps its pace."""
    rng = np.random.default_rng(seed)
    n, first, last = 3_000, 1_000 + 37 * seed, 1_000 + 37 * seed + 240 + 60 * seed
    scatter = rng.normal(0, 0.025, n)
    steady = judged(16 * (1 + scatter[::-1]), station="steady")
    slow = np.where((np.arange(n) >= first) & (np.arange(n) < last), 1.08, 1.0)
    stops = np.where(rng.uniform(size=n) < 0.01, rng.exponential(10, n) + 3, 0)
    rows = judged(16 * slow * (1 + scatter) + stops)
    found = slow_windows(pl.concat([rows, steady]))
    assert found["station"].to_list() == ["press"]
    window = found.row(0, named=True)
    assert abs(window["start_us"] - rows["start_us"][first]) <= TEN_MINUTES
    assert abs(window["end_us"] - rows["end_us"][last - 1]) <= TEN_MINUTES
    assert window["low_share"] - 0.005 <= 0.08 <= window["high_share"] + 0.005


@pytest.mark.parametrize("cell", ["spoon", "timer"])
def test_planted_slow_hours_of_the_sample_are_found_within_ten_minutes_of_their_edges(cell):
    """Edges are those of the first and the last cycle within the planted hours: the station may stand at an edge."""
    own = work(sample_plant(), cell)
    found = slow_windows(own)
    times = Times(Days(3), random.Random(0), True)
    planted = SPOON_SLOW if cell == "spoon" else TIMER_SLOW
    told = set()
    for day, clock, minutes, station, share in planted:
        ((start, end),) = ((Days(3).base + a, Days(3).base + b) for a, b in times.spans(day, clock, minutes))
        inside = own.filter(
            (pl.col("station") == station) & (pl.col("began_us") >= start * 1000) & (pl.col("end_us") <= end * 1000)
        )
        near = found.with_row_index("row").filter(
            (pl.col("station") == station)
            & ((pl.col("start_us") - inside["began_us"].min()).abs() <= TEN_MINUTES)
            & ((pl.col("end_us") - inside["end_us"].max()).abs() <= TEN_MINUTES)
        )
        assert not near.is_empty(), (station, clock)
        assert near["more_share"].max() == pytest.approx(share, abs=0.1)
        told |= set(near["row"])
    others = found.with_row_index("row").filter(~pl.col("row").is_in(list(told)))
    assert others["lost_us"].sum() <= 0.1 * found["lost_us"].sum()


# --- counts -----------------------------------------------------------------------------------------------------------


def stop_list(station: str, at_s: list[float], us: int = 10 * SECOND, product: str = "dish") -> pl.DataFrame:
    return pl.DataFrame(
        {"station": station, "alarm": True, "product": product, "us": us, "step": None, "cause": "A1", "text": "door",
         "start_us": [round(s * SECOND) for s in at_s]}
    )  # fmt: skip


def test_mean_time_between_is_running_time_per_stop_with_garwood_s_interval():
    """Ten stops in 100 h of running: one in 10 h, 95 %: 100 / 18.390 to 100 / 4.795 h."""
    stops = stop_list("press", [float(n) for n in range(10)])
    row = by_station(stops, pl.DataFrame({"station": ["press"], "ran_us": [100 * HOUR]})).row(0, named=True)
    assert (row["stops_n"], row["us"]) == (10, 100 * SECOND)
    assert row["between_us"] == 10 * HOUR
    assert row["between_low_us"] / HOUR == pytest.approx(100 / 18.390, rel=1e-3)
    assert row["between_high_us"] / HOUR == pytest.approx(100 / 4.795, rel=1e-3)


def test_stops_per_thousand_cycles_count_the_cycles_of_that_product_and_station():
    done = pl.DataFrame({"station": ["press"] * 500 + ["pack"] * 9, "product": ["dish"] * 509})
    (row,) = by_product(stop_list("press", [1.0, 2.0]), done).rows(named=True)
    assert (row["cycles_n"], row["per_1000"]) == (500, 4.0)


def test_hours_since_start_up_begin_anew_after_a_pause_and_add_up_to_what_ran():
    """Runs 06:00 to 08:30 and, after two hours, 10:30 to 11:00: one hour of first hours each but for the short one."""
    def cycles(first: float, last: float) -> pl.DataFrame:
        start = np.arange(first * 360, last * 360) * 10 * SECOND
        return pl.DataFrame({"start_us": start.astype("int64"), "end_us": (start + 9 * SECOND).astype("int64")})

    spans = ran.stretches(pl.concat([cycles(6, 8.5), cycles(10.5, 11)]), 1800 * SECOND, 0, 24 * HOUR, 0)
    hours = ran.since_start_up(spans)
    assert spans["start_us"].to_list() == [6 * HOUR, round(10.5 * HOUR)]
    assert (hours["ran_us"] / HOUR).round(2).to_list() == [1.5, 1.0, 0.5, 0, 0, 0, 0, 0, 0]
    assert hours["ran_us"].sum() == (spans["end_us"] - spans["start_us"]).sum()
    at = pl.DataFrame({"start_us": [round(h * HOUR) for h in (6.5, 8.2, 9.0, 10.6)]})
    assert ran.hour_since_start_up(at, spans).to_list() == [0, 2, None, 0]


def test_a_run_that_may_have_begun_before_what_was_read_has_no_hours_since_start_up():
    cycles = pl.DataFrame({"start_us": [6 * HOUR + n * 100 * SECOND for n in range(100)]})
    cycles = cycles.with_columns(end_us=pl.col("start_us") + 90 * SECOND)
    spans = ran.stretches(cycles, 1800 * SECOND, 0, 24 * HOUR, 6 * HOUR)
    assert spans["began_us"].to_list() == [None]
    assert ran.since_start_up(spans).is_empty()
    assert ran.hour_since_start_up(pl.DataFrame({"start_us": [7 * HOUR]}), spans).to_list() == [None]


def test_a_burst_of_stops_is_a_cluster_and_stops_at_random_seldom_are():
    rng = np.random.default_rng(3)
    at = np.sort(rng.uniform(0, 24 * 3600, 40))
    burst = 50_000 + np.array([0.0, 60, 150, 300, 420, 600])
    (found,) = clusters(stop_list("press", [*at, *burst]), 24 * HOUR).rows(named=True)
    assert found["stops_n"] >= 6
    assert found["start_us"] <= 50_000 * SECOND <= 50_600 * SECOND <= found["end_us"]
    alone = [clusters(stop_list("press", list(rng.uniform(0, 24 * 3600, 40))), 24 * HOUR).height for _ in range(200)]
    assert np.mean(np.array(alone) > 0) <= 0.05


# --- what preceded ----------------------------------------------------------------------------------------------------


def night(seed: int, ratio: float) -> tuple[pl.DataFrame, pl.DataFrame, pl.DataFrame]:
    """100 h of running, 30 kinds of events; within a minute of the first kind, stops come `ratio` times as often."""
    rng = np.random.default_rng(seed)
    total = 100 * 3600
    events = {f"event {k}": np.sort(rng.uniform(0, total, 120)) for k in range(30)}
    stops = rng.uniform(0, total, 400)
    first = events["event 0"]
    hits = rng.poisson((ratio - 1) * 400 / total * 60 * first.size)
    extra = rng.choice(first, hits) + rng.uniform(0.1, 60, hits)
    frame = pl.concat([pl.DataFrame({"event": k, "us": (v * SECOND).astype("int64")}) for k, v in events.items()])
    running = pl.DataFrame({"station": ["press"], "start_us": [0], "end_us": [total * SECOND]})
    return stop_list("press", [*stops, *extra]), frame, running


def test_the_event_that_precedes_stops_is_told_with_its_ratio_and_the_others_are_not():
    told, false = 0, 0
    for seed in range(20):
        found = preceded(*night(seed, 6))
        sure = found.filter(pl.col("false_share") <= 0.05)
        told += "event 0" in sure["event"].to_list()
        false += sure.filter(pl.col("event") != "event 0").height
        row = found.filter(pl.col("event") == "event 0").row(0, named=True)
        assert row["ratio_low"] < 7.5
        assert row["ratio_high"] > 4.5
    assert told >= 18
    assert false <= 3  # 580 looks at events that mean nothing


def test_where_nothing_precedes_stops_nothing_is_told():
    sure = [preceded(*night(seed, 1)).filter(pl.col("false_share") <= 0.05).height for seed in range(20)]
    assert sum(sure) <= 2


def test_the_record_of_the_stop_itself_precedes_nothing_and_ordinary_work_is_not_looked_at():
    """An alarm rises at the instant of each stop; a state changes every half minute."""
    at = [600.0 * n for n in range(1, 40)]
    marks = pl.DataFrame(
        {"us": [round(s * SECOND) for s in at] + [30 * SECOND * n for n in range(800)],
         "kind": ["alarm_on"] * 39 + ["state"] * 800, "station": "press", "state": [None] * 39 + ["running"] * 800,
         "code": ["A1"] * 39 + [None] * 800}
    )  # fmt: skip
    running = pl.DataFrame({"station": ["press"], "start_us": [0], "end_us": [24_000 * SECOND]})
    assert set(event_types(marks)["event"]) == {"alarm rises A1 at press", "state running at press"}
    assert preceded(stop_list("press", at), event_types(marks), running).is_empty()


# --- the command's analysis -------------------------------------------------------------------------------------------


def shift_log(cycles: int, long_at: tuple[int, ...] = (), more: str = "") -> pl.DataFrame:
    """A press that works 10 s every 15 s from 06:00 on, and 14.9 s in the cycles of long_at."""
    lines = []
    for n in range(cycles):
        minute, second = divmod(15 * n, 60)
        hour, minute = divmod(minute, 60)
        clock, end = f"{6 + hour:02d}:{minute:02d}", second + (14.9 if n in long_at else 10.0)
        lines.append(f"{clock}:{second:02d} press starts P{n} product=dish")
        lines.append(f"{clock}:{end:04.1f} press ends P{n} product=dish")
    return logs.log("\n".join(lines) + "\n" + more)


def test_a_cell_without_alarms_has_its_stops_by_the_length_of_cycles_and_says_so(tmp_path):
    study = short_stops(logs.book(tmp_path, shift_log(400, long_at=(100, 250))), "a1", logs.shift())
    stops = study.tables["stops"]
    assert stops["alarm"].to_list() == [False, False]
    assert stops["us"].to_list() == [4_900_000, 4_900_000]
    assert stops["log_line"].to_list() == [201, 501]
    assert "2 short stops of 9.8 s in all: 0 with an alarm" in study.findings[0]
    assert any("No alarm in this period" in doubt for doubt in study.doubts)
    assert any("pack" in doubt for doubt in study.doubts), "a station without cycles is named"
    assert study.cautions


def test_the_order_of_records_changes_no_table(tmp_path):
    events = shift_log(300, long_at=(100, 250), more="06:40:12 press alarm A1\n06:40:14 press clear A1")
    mixed = events.sample(fraction=1, shuffle=True, seed=1)
    first, again = (
        short_stops(logs.book(tmp_path / name, frame), "a1", logs.shift()).tables
        for name, frame in (("as it was", events), ("mixed", mixed))
    )
    assert list(first) == list(again)
    assert all(first[name].equals(again[name]) for name in first)
    assert first["stops"]["alarm"].sum() == 1


@pytest.mark.parametrize(
    "events",
    [
        logs.log("06:00:00 press starts P1 product=dish"),
        logs.log("06:00:00 press starts P1\n06:00:10 press ends P1"),
        logs.log("06:00:00 press state running\n07:00:00 press state blocked"),
        logs.log("06:00:00 press starts P1 product=ghost\n06:00:09 press starts P2\n06:00:12 press ends P1"),
    ],
    ids=["one event", "one cycle", "states only", "overlapping, unknown product"],
)
def test_little_or_odd_input_gives_a_stated_result(tmp_path, events):
    study = short_stops(logs.book(tmp_path, events), "a1", logs.shift())
    assert study.findings == ["No short stop in this period."]
    assert study.doubts


def test_counts_of_a_product_are_held_against_the_time_in_which_it_ran():
    plant, _ = other_plant()
    day = day_window(plant, plant.days("spoon")[0])
    whole, part = (short_stops(plant, "spoon", day, product=name) for name in (None, "aqua"))
    ran_us = {s: t.tables["hour_of_day"]["ran_us"].sum() for s, t in (("whole", whole), ("part", part))}
    assert 0 < ran_us["part"] < 0.8 * ran_us["whole"]
    assert set(part.tables["stops"]["product"]) <= {"aqua", "aqua-s", "aqua-m", "aqua-l"}
    of_whole = whole.tables["stops"].filter(pl.col("product").is_in(["aqua", "aqua-s", "aqua-m", "aqua-l"]))
    assert part.tables["stops"].equals(of_whole)
