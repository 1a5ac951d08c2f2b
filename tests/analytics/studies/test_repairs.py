"""Breakdowns of a window: each once, with its whole length; how often, how long, what first."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest

from analytics.account import Window
from analytics.studies.first_out import by_chance, first_out, grouped
from analytics.studies.repairs.exposure import NEVER, Clock, exposure
from analytics.studies.repairs.failures import failures, of_kind
from analytics.studies.repairs.figures import timed, up_and_down
from analytics.studies.repairs.pareto import pareto
from analytics.studies.repairs.patterns import curves, gaps, medians, shapes, trends
from analytics.studies.repairs.study import repairs
from ingest.errors import InputError
from tests.logs import at, book, cell, log, shift
from tests.reference.values import Check

S = 1_000_000
HOUR = 3600 * S


def work(*stopped: tuple[int, int], until: int = 7200) -> str:
    """A dish every 10 s through press and pack from 06:00:00 on, but for some seconds in which nothing begins."""
    lines = []
    for n, s in enumerate(range(0, until, 10)):
        if any(a - 10 < s < b for a, b in stopped):
            continue
        for second, words in (
            (s, f"press starts P{n} product=dish"), (s + 9, f"press ends P{n}"), (s + 9, f"press out P{n}"),
            (s + 10, f"pack in P{n}"), (s + 10, f"pack starts P{n}"),
            (s + 18, f"pack ends P{n}"), (s + 18, f"pack good P{n}"),
        ):  # fmt: skip
            lines.append(f"{6 + second // 3600:02d}:{second // 60 % 60:02d}:{second % 60:02d} {words}")
    return "\n".join(lines)


TWO_HOURS = shift("06:00:00", "08:00:00")

STOPS = """
    06:10:00 press alarm A1
    06:14:00 press clear A1
    06:30:00 press alarm A1
    06:32:00 press clear A1
    07:00:00 press alarm A1
    07:00:20 press clear A1
    07:30:00 * alarm E1
    07:35:00 * clear E1
"""
STOPPED = ((600, 840), (1800, 1920), (3600, 3620), (5400, 5700))


@pytest.fixture(scope="module")
def told(tmp_path_factory):
    return repairs(book(tmp_path_factory.mktemp("plant"), log(work(*STOPPED) + STOPS)), "a1", TWO_HOURS)


def row(frame: pl.DataFrame, **of: object) -> dict:
    found = frame.filter(**of)
    assert found.height == 1
    return found.row(0, named=True)


def test_long_stops_and_short_ones_with_an_alarm_are_two_kinds_of_failure(told):
    between = told.tables["between_failures"]
    assert row(between, station="press", failures="breakdowns")["failures_n"] == 2
    assert row(between, station="press", failures="all with an alarm")["failures_n"] == 3
    assert row(between, station="pack", failures="breakdowns")["failures_n"] == 0


def test_time_between_failures_is_time_worked_per_failure(told):
    """7200 s of which the press stood 680 s and worked 9 s of each 10 s, less than its cycles cut short."""
    found = row(told.tables["between_failures"], station="press", failures="breakdowns")
    assert 0.85 * 6520 * S < found["working_us"] < 0.93 * 6520 * S
    assert found["mtbf_us"] == found["working_us"] // 2
    assert found["mtbf_low_us"] < found["mtbf_us"] < found["mtbf_high_us"]


def test_a_station_without_a_failure_has_a_lower_bound_only(told):
    found = row(told.tables["between_failures"], station="pack", failures="breakdowns")
    assert (found["mtbf_us"], found["mtbf_high_us"]) == (None, None)
    assert found["mtbf_low_us"] == pytest.approx(found["working_us"] / -np.log(0.05), rel=1e-6)


def test_repair_is_the_stop_and_down_lasts_until_the_station_is_back(told):
    found = row(told.tables["down_times"], station="press", failures="breakdowns")
    assert found["mttr_us"] == 180 * S
    assert found["mdt_us"] >= found["mttr_us"]
    assert found["open_n"] == 0


def test_the_list_of_failures_leads_back_to_log_lines_longest_first(told):
    found = told.tables["failures"]
    assert found["repair_us"].to_list() == [240 * S, 120 * S, 20 * S]
    assert found["log_line"].is_sorted()
    assert found["log_line"].null_count() == 0


def test_a_safety_stop_is_listed_with_its_caution_and_ranked_nowhere(told):
    assert told.tables["safety_stops"].select("cause", "us").rows() == [("E1", 300 * S)]
    for name in ("pareto", "causes", "failures"):
        assert "E1" not in told.tables[name]["cause"].to_list()
    assert any("ISO 13850" in words for words in told.cautions)


def test_the_finding_names_the_costliest_cause_with_its_bounds(told):
    assert told.findings[0].startswith("A1 door open (press) cost the cell most: ")
    assert "(95 %: " in told.findings[0]


def test_no_failure_at_all_is_told_as_a_bound(tmp_path):
    found = repairs(book(tmp_path, log(work())), "a1", TWO_HOURS)
    assert "had no breakdown in 2 h 00 min of planned time: at 95 %, they are at least 40 min 03 s apart" in " ".join(
        found.findings
    )
    assert any("only lower bounds" in doubt for doubt in found.doubts)
    assert found.tables["failures"].is_empty()


def test_one_failure_has_wide_bounds_and_neither_shape_nor_trend(tmp_path):
    found = repairs(book(tmp_path, log(work((600, 840)) + STOPS.split("06:30")[0])), "a1", TWO_HOURS)
    told = row(found.tables["between_failures"], station="press", failures="breakdowns")
    assert told["mtbf_high_us"] > 30 * told["mtbf_us"]
    assert "not told" in row(found.tables["shapes"], station="press")["says"]
    assert "not told" in row(found.tables["trends"], station="press")["says"]


def test_a_failure_that_never_ends_counts_its_time_and_no_end(tmp_path):
    open_book = book(tmp_path, log(work((3600, 7200)) + "\n07:00:00 press alarm A1"))
    found = repairs(open_book, "a1", TWO_HOURS)
    told = row(found.tables["down_times"], station="press", failures="breakdowns")
    assert (told["failures_n"], told["open_n"], told["mttr_us"]) == (1, 1, None)
    assert told["mttr_low_us"] > 0  # an hour or as much of it as is known went by without an end
    assert any("The end of 1 failure was not seen" in doubt for doubt in found.doubts)


def test_a_failure_across_the_end_of_the_production_day_is_one_and_whole(tmp_path):
    """Down from 05:00 to 11:00, an hour before the day ends and further into the next than a day is read."""
    text = (
        "04:50:00 press starts Q1 product=dish\n04:50:09 press ends Q1\n05:00:00 press alarm A1\n"
        "11:00:00 press clear A1\n11:00:05 press starts Q2 product=dish\n11:00:14 press ends Q2\n"
        "11:00:14 press out Q2\n11:00:16 pack in Q2\n11:00:16 pack starts Q2\n11:00:24 pack ends Q2\n"
        "11:00:24 pack good Q2"
    )
    found = repairs(book(tmp_path, log(text)), "a1", shift("04:00:00", "12:00:00"))
    told = found.tables["failures"]
    assert told.select(pl.col("end_us") - pl.col("start_us")).to_series().to_list() == [6 * HOUR]
    assert told["repair_us"].to_list() == [5 * HOUR]  # the shift begins at 06:00


def test_one_record_that_stops_two_nests_is_one_failure(tmp_path):
    two = cell(stations=[
        {"name": "press", "kind": "machine", "nests": ["1", "2"]},
        {"name": "pack", "kind": "machine", "from": ["press"]},
    ])  # fmt: skip
    text = """
        06:00:00 press.1 starts P1 product=dish
        06:00:00 press.2 starts P2 product=dish
        06:00:09 press.1 ends P1
        06:00:09 press.2 ends P2
        06:01:00 press alarm A1
        06:05:00 press clear A1
        06:06:00 press.1 starts P3 product=dish
        06:06:00 press.2 starts P4 product=dish
        06:06:09 press.1 ends P3
        06:06:09 press.2 ends P4
    """
    found = repairs(book(tmp_path, log(text), cell_model=two), "a1", shift("06:00:00", "06:10:00"))
    assert found.tables["failures"].select("station", "repair_us").rows() == [("press", 240 * S)]
    assert row(found.tables["pareto"], cause="A1")["stops_n"] == 1
    works = row(found.tables["between_failures"], station="press", failures="breakdowns")["working_us"]
    assert works == 18 * S  # both nests at once are the station once


def test_alarms_that_overlap_are_one_stop_of_the_first_cause(tmp_path):
    text = "06:10:00 press alarm A1\n06:12:00 press alarm A2\n06:14:00 press clear A1\n06:16:00 press clear A2"
    found = repairs(book(tmp_path, log(work((600, 960)) + "\n" + text)), "a1", TWO_HOURS)
    assert found.tables["failures"].select("cause", "repair_us").rows() == [("A1", 360 * S)]
    told = row(found.tables["down_times"], station="press", failures="breakdowns")
    assert told["availability_share"] == pytest.approx(1 - 360 / 7200, abs=0.003)


def test_a_failure_before_the_station_is_back_shares_no_time_down_with_the_one_before():
    """Down at 100 s, repaired at 200 s, down again at 300 s before any work, back at 400 s."""
    rows = pl.DataFrame(
        {"station": "press", "start_us": [100 * S, 300 * S], "end_us": [200 * S, 400 * S], "back_us": [400 * S] * 2,
         "cause": ["A1", "A2"], "log_file": "plc.log", "log_line": [1, 2]}
    )  # fmt: skip
    found = timed(rows, clocks_of(1000 * S), 1000 * S)
    assert found["down_us"].to_list() == [300 * S, 100 * S]
    assert found["out_us"].to_list() == [300 * S, 0]


def test_a_station_works_while_any_of_its_nests_does():
    two = cell(stations=[
        {"name": "press", "kind": "machine", "nests": ["1", "2"]},
        {"name": "pack", "kind": "machine", "from": ["press"]},
    ])  # fmt: skip
    runs = pl.DataFrame(
        {"lane": ["press.1", "press.2", "press.2", "press.2"], "start_us": [0, 10, 50, 120],
         "end_us": [100, 20, 60, 130], "line": ["run"] * 4}
    )  # fmt: skip
    plan = pl.DataFrame(schema={"lane": pl.String, "start_us": pl.Int64, "end_us": pl.Int64, "plan": pl.String})
    assert exposure(runs, plan, two, 0, 1000).works["press"].total_us == 110


def test_the_order_of_rows_changes_nothing(tmp_path):
    events = log(work(*STOPPED) + STOPS)
    first = repairs(book(tmp_path / "a", events), "a1", TWO_HOURS)
    mixed = repairs(book(tmp_path / "b", events.sample(fraction=1, shuffle=True, seed=5)), "a1", TWO_HOURS)
    assert mixed.findings == first.findings
    assert all(mixed.tables[name].equals(frame) for name, frame in first.tables.items())


def test_station_and_product_choose_and_unknown_names_are_refused(tmp_path):
    open_book = book(tmp_path, log(work(*STOPPED) + STOPS))
    pack = repairs(open_book, "a1", TWO_HOURS, station="pack")
    assert pack.tables["failures"].is_empty()
    assert set(pack.tables["between_failures"]["station"]) == {"pack"}
    lid = repairs(open_book, "a1", TWO_HOURS, product="lid")
    assert lid.tables["failures"].is_empty()
    assert any("for all products" in doubt for doubt in lid.doubts)
    for wrong in ({"station": "prss"}, {"product": "disch"}):
        with pytest.raises(InputError):
            repairs(open_book, "a1", TWO_HOURS, **wrong)


def test_a_log_of_states_without_any_work_says_that_no_rate_can_be_given(tmp_path):
    found = repairs(book(tmp_path, log("06:00:00 press alarm A1\n06:05:00 press clear A1")), "a1", TWO_HOURS)
    told = row(found.tables["between_failures"], station="press", failures="breakdowns")
    assert (told["failures_n"], told["mtbf_us"]) == (1, None)
    assert any("tells no work of press" in doubt for doubt in found.doubts)


def test_up_time_down_time_and_availability():
    c = Check("availability_mut_mdt")
    hours = {key: round(getattr(c, key) * HOUR) for key in ("up_h", "down_h")}
    found = up_and_down(sum(hours.values()), hours["down_h"], c.failures)
    assert c.agrees("mut_h", found["mut_us"] / HOUR)
    assert c.agrees("mdt_h", hours["down_h"] / c.failures / HOUR)
    assert c.agrees("mtbf_between_starts_h", (found["mut_us"] + hours["down_h"] / c.failures) / HOUR)
    assert c.agrees("availability", found["availability_share"])


def test_a_stop_that_ends_in_silence_has_no_known_end():
    stops = pl.DataFrame(
        {"station": "press", "nest": None, "lane": "press", "start_us": 0, "end_us": 100 * S, "us": 100 * S,
         "busy_us": 100 * S, "line": "breakdown", "cause": "A1", "text": "door open", "alarm": True, "said": None,
         "blamed": None, "product": "dish", "log_file": "plc.log", "log_line": 1, "log_end_file": None,
         "log_end_line": None},
        schema_overrides={"nest": pl.String, "said": pl.String, "blamed": pl.String, "log_end_file": pl.String,
                          "log_end_line": pl.Int64},
    )  # fmt: skip
    stretches = pl.DataFrame(
        {"lane": ["press"] * 3, "start_us": [0, 100 * S, 900 * S], "end_us": [100 * S, 900 * S, 1000 * S],
         "line": ["breakdown", "no_data", "run"], "cause": ["A1", "silent: plc", None]}
    )  # fmt: skip
    silent = failures(stops, stretches, 0, 1000 * S)
    assert silent.select("open", "back_us").rows() == [(True, None)]
    back = stretches.with_columns(line=pl.Series(["breakdown", "changeover", "run"]))
    assert failures(stops, back, 0, 1000 * S).select("open", "back_us").rows() == [(False, 900 * S)]
    assert of_kind(silent, "breakdowns").height == 1


def test_a_clock_runs_within_its_spans_only():
    clock = Clock(np.array([0, 100]), np.array([10, 150]))
    assert clock.at([0, 5, 50, 120, 999]).tolist() == [0, 5, 10, 30, 60]
    assert NEVER.at([5]).tolist() == [0]


def clocks_of(us: int):
    """The press worked all the time from 0 on."""
    runs = pl.DataFrame({"lane": ["press"], "start_us": [0], "end_us": [us], "line": ["run"], "cause": [None]})
    plan = pl.DataFrame({"lane": ["press"], "start_us": [0], "end_us": [us], "plan": ["busy"]})
    return exposure(runs, plan, cell(), 0, us)


def failed(at_s: np.ndarray) -> pl.DataFrame:
    return pl.DataFrame(
        {"station": "press", "line": "breakdown", "worked_us": (at_s * S).astype(np.int64), "repair_us": 60 * S,
         "open": False}
    )  # fmt: skip


def test_the_first_life_is_left_out_and_the_last_one_is_censored():
    lives, running, none = gaps(pl.Series([30, 10, 30, 60]), 100)
    assert (lives.tolist(), running.tolist(), none) == ([20, 30], [40], 1)
    assert [part.tolist() for part in gaps(pl.Series([], dtype=pl.Int64), 100)[:2]] == [[], []]


def test_a_station_that_fails_at_regular_times_wears_out_and_one_that_fails_by_chance_does_not():
    rng = np.random.default_rng(3)
    regular = np.cumsum(3600 * (1 + 0.1 * rng.standard_normal(20)))
    found = shapes(failed(regular), clocks_of(int(regular[-1] + 60) * S), ["press"]).row(0, named=True)
    assert found["says"].startswith("wears out")
    assert found["shape_low"] > 1
    chance = np.cumsum(rng.exponential(3600, 20))
    found = shapes(failed(chance), clocks_of(int(chance[-1] + 60) * S), ["press"]).row(0, named=True)
    assert found["says"] == "chance alone is not excluded"
    assert found["shape_low"] < 1 < found["shape_high"]


def test_failures_that_come_more_and_more_often_are_told_as_such():
    times = 10 * 3600 * np.sqrt(np.arange(1, 31))
    found = trends(failed(times), clocks_of(int(times[-1] + 60) * S), ["press"]).row(0, named=True)
    assert found["says"] == "failures come more and more often"
    assert found["beta_low"] > 1
    assert found["fit_p"] > 0.05
    even = trends(failed(3600.0 * np.arange(1, 31)), clocks_of(31 * HOUR), ["press"]).row(0, named=True)
    assert even["says"] == "no trend shown"


def test_curves_count_the_running_life_as_at_risk_and_give_medians():
    found = curves(failed(np.array([100.0, 200.0, 400.0, 700.0])), clocks_of(5000 * S), ["press"])
    lives = found.filter(pl.col("of") == "time between failures")
    assert lives["after_us"].to_list() == [100 * S, 200 * S, 300 * S]
    assert lives["at_risk_n"].to_list() == [4, 3, 2]
    assert lives["left_share"].to_list() == pytest.approx([0.75, 0.5, 0.25])
    assert row(medians(found), of="time between failures")["median_us"] == 200 * S


def rising(*rows: tuple[float, str, str]) -> pl.DataFrame:
    """Alarms (second, station, code)."""
    return pl.DataFrame(
        [(round(s * S), station, code, n) for n, (s, station, code) in enumerate(rows)],
        schema={"start_us": pl.Int64, "station": pl.String, "code": pl.String, "log_line": pl.Int64},
        orient="row",
    ).with_columns(
        nest=pl.lit(None, pl.String), text=pl.col("code"), book=pl.lit("breakdown"), log_file=pl.lit("plc.log")
    )


def clock_rows(spread_us: float | None) -> pl.DataFrame:
    return pl.DataFrame(
        {"source": ["plc", "rob"], "from_us": [0, 0], "state": ["reference", "aligned"], "spread_us": [0.0, spread_us]},
        schema_overrides={"spread_us": pl.Float64},
    )


TWO_SOURCES = cell(stations=[
    {"name": "press", "kind": "machine", "sources": ["plc"]},
    {"name": "pack", "kind": "machine", "from": ["press"], "sources": ["rob"]},
])  # fmt: skip


@pytest.mark.parametrize(
    ("late_s", "spread_us", "order"),
    [(2.0, 20_000, "sure"), (0.03, 20_000, "tie"), (0.05, 20_000, "sure"), (2.0, None, "clocks not known")],
)
def test_the_first_alarm_is_sure_only_beyond_what_the_clocks_agree_to(late_s, spread_us, order):
    rows = grouped(rising((10, "press", "A1"), (10 + late_s, "pack", "B1")))
    found = first_out(rows, clock_rows(spread_us), TWO_SOURCES).row(0, named=True)
    assert (found["code"], found["order"], found["followed_by"]) == ("A1", order, ["B1 (pack)"])
    assert found["tied"] == (["pack"] if order == "tie" else [])


def test_alarms_far_apart_are_no_group_and_warnings_are_left_out():
    apart = grouped(rising((0, "press", "A1"), (5.1, "pack", "B1")))
    assert first_out(apart, clock_rows(1000), TWO_SOURCES).is_empty()
    warned = rising((0, "press", "W1"), (1, "pack", "B1")).with_columns(book=pl.Series(["none", "breakdown"]))
    assert first_out(grouped(warned), clock_rows(1000), TWO_SOURCES).is_empty()


def test_a_chain_of_alarms_is_one_group_whatever_the_order_of_rows():
    rows = rising((0, "press", "A1"), (4, "pack", "B1"), (8, "press", "A2"), (60, "press", "A1"))
    found = first_out(grouped(rows), clock_rows(1000), TWO_SOURCES)
    assert found.select("code", "alarms_n", "span_us").rows() == [("A1", 3, 8 * S)]
    assert first_out(grouped(rows.reverse()), clock_rows(1000), TWO_SOURCES).equals(found)


def test_groups_by_chance_are_as_many_as_a_poisson_process_has():
    """200 alarms in a day, five seconds: a simulation with a fixed seed stays within four standard errors."""
    rng = np.random.default_rng(11)
    drawn = [(np.diff(np.sort(rng.uniform(0, 86400, rng.poisson(200)))) <= 5).sum() for _ in range(2000)]
    error = 4 * np.std(drawn) / np.sqrt(2000)
    assert by_chance(200, 86400 * S) == pytest.approx(np.mean(drawn), abs=error + 0.02)


def test_causes_are_ranked_by_lost_parts_and_a_buffered_stop_comes_last():
    stops = pl.DataFrame({
        "line": ["breakdown", "breakdown", "micro_stop", "safety_stop"], "station": ["press"] * 4, "blamed": [None] * 4,
        "cause": ["A1", "A2", "A3", "E1"], "text": ["a", "b", "c", "e"], "busy_us": [600 * S, 900 * S, 5 * S, 900 * S],
        "log_file": ["plc.log"] * 4, "log_line": [1, 2, 3, 4],
    }, schema_overrides={"blamed": pl.String})  # fmt: skip
    losses = pl.DataFrame({
        "line": ["breakdown", "micro_stop", "safety_stop"], "station": ["press"] * 3, "cause": ["A1", "A3", "E1"],
        "lost_us": [540 * S, 60 * S, 900 * S], "lost_parts": [54.0, 6.0, 90.0],
    })  # fmt: skip
    found = pareto(stops, losses)
    assert found["cause"].to_list() == ["A1", "A3", "A2"]
    assert found["sum_share"].to_list() == pytest.approx([0.9, 1.0, 1.0])
    assert found["by_time_n"].to_list() == [2, 3, 1]


def test_the_window_of_a_day_without_breakdowns_at_night_counts_planned_time_only(tmp_path):
    found = repairs(book(tmp_path, log(work())), "a1", Window("day", at("06:00:00"), at("06:00:00") + 24 * HOUR))
    assert row(found.tables["between_failures"], station="*", failures="breakdowns")["working_us"] == 8 * HOUR
