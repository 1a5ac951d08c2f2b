"""Flow: waiting over time, active periods, the bottleneck that moves, levels between stations, Little's law."""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path

import numpy as np
import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analytics.account import account
from analytics.statistics.time_in_bins import levels_in_bins, time_in_bins
from analytics.studies.flow.active import NOISE_US, active_periods, handover_us, merged, momentary, overlap, roles
from analytics.studies.flow.between import all_passages, little, places_between, stays_between
from analytics.studies.flow.series import arrows, differences, in_series, turning_points
from analytics.studies.flow.study import flow
from ingest.errors import InputError
from tests.logs import book, cell, log, shift
from tests.reference.lines import S, Stop, line_model, serial_line
from tests.reference.loops import roomy_loop


def frame(*rows: tuple[object, ...], columns: str = "lane start_us end_us") -> pl.DataFrame:
    names = columns.split()
    kinds = {n: pl.Int64 if n.endswith(("us", "step")) else pl.String for n in names}
    return pl.DataFrame(rows, schema=kinds, orient="row")


lane_spans = st.lists(st.tuples(st.sampled_from("abc"), st.integers(0, 40), st.integers(1, 9)), min_size=1, max_size=25)


def periods_of(spans: list[tuple[str, int, int]]) -> pl.DataFrame:
    return merged(frame(*((lane, start, start + length) for lane, start, length in spans)))


def instants(spans: pl.DataFrame) -> set[int]:
    """The whole instants that some spans cover."""
    return {t for a, b in spans.select("start_us", "end_us").rows() for t in range(a, b)}


# Active periods and the momentary bottleneck.


@given(lane_spans)
def test_somebody_is_the_bottleneck_whenever_somebody_is_active_and_one_at_a_time_is_it_alone(spans) -> None:
    periods = periods_of(spans)
    chain = momentary(periods)
    assert instants(chain) == instants(periods)
    role = roles(chain)
    alone = [
        t for a, b in role.filter(pl.col("role") == "sole").select("start_us", "end_us").rows() for t in range(a, b)
    ]
    shared = instants(role.filter(pl.col("role") == "shifting"))
    assert len(alone) == len(set(alone))
    assert not set(alone) & shared
    assert set(alone) | shared == instants(periods)


@given(lane_spans, st.randoms(use_true_random=False))
def test_the_order_of_rows_changes_nothing(spans, random) -> None:
    mixed = spans[:]
    random.shuffle(mixed)
    assert momentary(periods_of(mixed)).equals(momentary(periods_of(spans)))
    assert roles(momentary(periods_of(mixed)[::-1])).equals(roles(momentary(periods_of(spans))))


def test_the_longest_stays_the_bottleneck_until_its_end_though_a_longer_one_has_begun() -> None:
    chain = momentary(frame(("a", 0, 10), ("b", 3, 14), ("c", 9, 30)))
    assert chain.rows() == [("a", 0, 10, False), ("c", 9, 30, False)]


def test_of_two_that_are_as_long_both_are_kept_and_flagged() -> None:
    chain = momentary(frame(("a", 0, 10), ("b", 0, 10), ("a", 12, 14)))
    assert chain.rows() == [("a", 0, 10, True), ("b", 0, 10, True), ("a", 12, 14, False)]
    assert roles(chain).rows() == [("a", 0, 10, "shifting"), ("b", 0, 10, "shifting"), ("a", 12, 14, "sole")]


def test_a_period_that_touches_an_edge_of_planned_time_is_flagged_as_cut() -> None:
    pieces = frame(("a", 0, 5, "active"), ("a", 5, 6, "blocked"), ("a", 6, 9, "active"), ("a", 9, 20, "active"),
                   columns="lane start_us end_us book")  # fmt: skip
    found = active_periods(pieces, frame(("a", 0, 12), ("a", 12, 25)))
    assert found.rows() == [("a", 0, 5, True), ("a", 6, 20, False)]


def test_a_hand_over_is_what_the_busiest_lane_needs_between_two_works_and_not_less_than_the_stamps_are_worth() -> None:
    def waits(lane: str, every: int, wait: int) -> list[tuple[object, ...]]:
        return [(lane, n * every, n * every + wait, "starved") for n in range(40)]

    both = frame(*waits("a", 10 * S, S), *waits("b", 10 * S, 4 * S), columns="lane start_us end_us book")
    assert handover_us(both, most_us=5 * S) == 1.5 * S
    assert handover_us(both, most_us=S) == S
    assert handover_us(both.head(5), most_us=5 * S) == NOISE_US


def test_the_chain_and_the_bottleneck_are_compared_instant_by_instant() -> None:
    gate = frame(("x", 0, 10), ("y", 10, 20), columns="station start_us end_us")
    role = frame(("x", 0, 4), ("y", 3, 15), columns="station start_us end_us")
    found = overlap(gate, role).with_columns(us=pl.col("end_us") - pl.col("start_us"))
    time = dict(found.group_by("agrees").agg(pl.col("us").sum()).rows())
    assert time == {True: 9, False: 6, None: 5}


# Stations in series.


def test_no_turning_point_is_named_where_starving_does_not_follow_blocking() -> None:
    assert turning_points([0.1, 0.3, 0.0], [0.2, 0.1, 0.3]) == []
    assert turning_points([0.2], [0.1]) == []


def test_of_two_bottlenecks_by_arrows_the_more_severe_is_the_worst() -> None:
    found = arrows([0.4, 0.0, 0.2, 0.0], [0.0, 0.1, 0.3, 0.1])
    assert found.right == [True, False, True]
    assert found.bottlenecks == [1, 3]
    assert found.worst == 1


def test_the_interval_of_a_difference_comes_from_the_bins_and_is_missing_for_few() -> None:
    whole = pl.DataFrame({"station": ["a", "b"], "blocked_share": [0.3, 0.0], "starved_share": [0.0, 0.1]})
    rows = [("a", t, 0.3 + (-1) ** t * 0.01, 0.0) for t in range(10)] + [("b", t, 0.0, 0.1) for t in range(10)]
    bins = pl.DataFrame(rows, schema=["station", "start_us", "blocked_share", "starved_share"], orient="row")
    (row,) = differences(whole, bins, ["a", "b"]).rows(named=True)
    assert row["difference_share"] == pytest.approx(0.2)
    # Half width by hand: t(0.975; 9) = 2.262157 x s / sqrt(10), s = 0.01 x sqrt(10 / 9).
    assert row["high_share"] - row["low_share"] == pytest.approx(2 * 2.262157 * 0.01 / 3, rel=1e-5)
    (row,) = differences(whole, bins.filter(pl.col("start_us") < 3), ["a", "b"]).rows(named=True)
    assert row["low_share"] is None


@pytest.mark.parametrize(("visits", "words"), [
    ([], "no part is followed"),
    ([("P1", "a", 1)], "one station only"),
    ([("P1", "a", 1), ("P1", "b", 2), ("P2", "a", 3), ("P3", "a", 4)], "not every part passes b"),
    ([("P1", "a", 1), ("P1", "b", 2), ("P2", "b", 3), ("P2", "a", 4)], "another order"),
])  # fmt: skip
def test_stations_that_are_no_line_are_refused_with_the_reason(visits, words) -> None:
    stations, why = in_series(frame(*visits, columns="part station us"))
    assert stations == []
    assert why is not None
    assert words in why


# Time and levels in bins.


@given(lane_spans, st.lists(st.integers(-5, 60), min_size=2, max_size=6, unique=True))
def test_time_in_bins_is_counted_as_instant_by_instant(spans, cuts) -> None:
    edges = sorted(cuts)
    periods = periods_of(spans)
    found = {(r["lane"], r["start_us"]): r["us"] for r in time_in_bins(periods, ["lane"], edges).iter_rows(named=True)}
    for lane in periods["lane"].unique():
        covered = instants(periods.filter(pl.col("lane") == lane))
        for a, b in pairwise(edges):
            assert found[(lane, a)] == sum(a <= t < b for t in covered)


@given(lane_spans)
def test_levels_in_bins_are_counted_as_instant_by_instant(spans) -> None:
    stays = frame(*((lane, start, start + length) for lane, start, length in spans))
    busy = np.array([2, 20]), np.array([15, 45])
    found = levels_in_bins(stays, ["lane"], [0, 10, 30, 50], busy, {("a",): 2, ("b",): 2, ("c",): 2})
    counts = [t for t in range(50) if 2 <= t < 15 or 20 <= t < 45]
    for row in found.iter_rows(named=True):
        own = stays.filter(pl.col("lane") == row["lane"])
        level = [
            own.filter((pl.col("start_us") <= t) & (pl.col("end_us") > t)).height
            for t in counts
            if row["start_us"] <= t < row["end_us"]
        ]
        assert (row["busy_us"], row["min_n"], row["max_n"]) == (len(level), min(level), max(level))
        assert row["mean_n"] == pytest.approx(sum(level) / len(level))
        assert row["empty_share"] == pytest.approx(level.count(0) / len(level))
        assert row["full_share"] == pytest.approx(sum(n >= 2 for n in level) / len(level))


# Between the stations.

LINE = line_model([10, 10, 10], [2, 0], 10, 5)


def passed(text: str) -> pl.DataFrame:
    """Read `0 s1 out P1`: seconds, a station, in or out, a part."""
    words = [line.split() for line in text.strip().splitlines()]
    rows = [(round(float(s) * S), f"part_{way}", station, part) for s, station, way, part in words]
    return frame(*rows, columns="us kind station part")


def in_s(stays: pl.DataFrame) -> list[tuple[object, ...]]:
    return stays.with_columns(pl.col("start_us", "end_us") / S).rows()


def test_a_part_is_between_from_its_departure_to_its_arrival_and_a_reject_never_arrives() -> None:
    rows = passed("""
        0 s1 in P1
        10 s1 out P1
        14 s2 in P1
        20 s1 out P2
        21 s1 out P3
        30 s2 in P0
        40 s3 out P1
    """)
    done = frame(("P2", 20), ("P1", 40), columns="part done_us")
    assert in_s(stays_between(rows, done, LINE)) == [
        ("P1", "s1", "s2", 10, 14), ("P3", "s1", "s2", 21, None), ("P0", "s1", "s2", None, 30),
    ]  # fmt: skip


def test_an_arrival_stamped_a_little_before_the_departure_is_the_one_after_it() -> None:
    rows = passed("0 s1 in P1\n10 s1 out P1\n9.995 s2 in P1\n20 s2 out P1")
    found = stays_between(rows, frame(("P1", 30 * S), columns="part done_us"), LINE)
    assert in_s(found) == [("P1", "s1", "s2", 9.995, 9.995)]


def test_where_no_departures_are_logged_a_part_is_between_from_the_end_of_work_and_that_is_said() -> None:
    visits = frame(("P1", "s1", 0, 10), ("P1", "s2", 14, 20), ("P1", "s2", 25, 30), ("P1", "s3", 33, 40),
                   columns="part station start_us end_us")  # fmt: skip
    visits = visits.with_columns(pl.col("start_us", "end_us") * S)
    passages, coarse = all_passages(None, visits)
    none = frame(columns="part done_us")
    assert in_s(stays_between(passages, none, LINE)) == [("P1", "s1", "s2", 10, 14), ("P1", "s2", "s3", 30, 33)]
    assert coarse == ["s1", "s2", "s3"]
    passages, coarse = all_passages(passed("12 s1 out P1\n13 s2 in P1"), visits)
    assert in_s(stays_between(passages, none, LINE)) == [("P1", "s1", "s2", 12, 13), ("P1", "s2", "s3", 30, 33)]
    assert coarse == ["s2", "s3"]


def test_places_between_two_stations_are_those_of_the_buffers_on_the_way() -> None:
    assert places_between(LINE, "s1", "s2") == 2
    assert places_between(LINE, "s2", "s3") is None
    assert places_between(LINE, "s1", "s3") is None


@given(st.lists(st.tuples(st.integers(0, 90), st.integers(1, 40)), min_size=1, max_size=20))
def test_littles_law_leaves_no_rest_whatever_lies_over_the_edges(stays) -> None:
    from_us, to_us = 20, 80
    lives = frame(*((a, a + n) for a, n in stays), columns="fed_us done_us").filter(
        (pl.col("fed_us") < to_us) & (pl.col("done_us") >= from_us)
    )
    steps = [lives.select(us=c, step=pl.lit(n, pl.Int64)) for c, n in (("fed_us", 1), ("done_us", -1))]
    opening = lives.filter(pl.col("fed_us") < from_us).height
    law = little(lives, pl.concat(steps), opening, from_us, to_us)
    assert law is not None
    assert law.rest == pytest.approx(0, abs=1e-9)
    levels = [sum(a <= t < a + n for a, n in stays) for t in range(from_us, to_us)]
    assert law.mean_wip == pytest.approx(sum(levels) / len(levels))


def test_parts_that_are_counted_but_not_followed_are_the_rest_of_littles_law() -> None:
    nameless = frame((0, 1), (60, -1), columns="us step")
    law = little(frame(columns="fed_us done_us"), nameless, 0, 0, 60)
    assert law is not None
    assert (law.rest, law.by_little) == (1, None)


# The whole study.


@pytest.fixture(scope="module")
def moving(tmp_path_factory):
    """Half an hour with s1 as the slowest station, half an hour with s3; buffers of two places."""
    times = np.vstack([np.tile([12.0, 9, 9], (150, 1)), np.tile([9.0, 9, 12], (150, 1))])
    made = serial_line(times, [2, 2], takt_s=12)
    return made.open(tmp_path_factory.mktemp("moving")), made


def test_the_bottleneck_moves_when_another_station_becomes_slow(moving) -> None:
    plant, made = moving
    by_bin = flow(plant, "a1", made.window()).tables["bottleneck_over_time"]
    assert by_bin["lane"][0] == "s1"
    assert by_bin["lane"][-2] == "s3"
    assert by_bin["gate_station"][0] == "s1"
    assert by_bin["gate_station"][-2] == "s3"


def test_all_methods_and_the_chain_name_the_slowest_station_and_say_so(moving) -> None:
    plant, made = moving
    study = flow(plant, "a1", made.window(300, 1500))
    named = {row[0]: row[1] for row in study.tables["named_by"].rows()}
    assert set(named) == {"shifting bottleneck", "average active period", "turning point", "arrows", "gating chain"}
    assert set(named.values()) <= {"s1", None}
    assert study.findings[0].startswith("s1 was the momentary bottleneck for 100 % of planned busy time")
    assert any(words.startswith("All methods that decide") and words.endswith("name s1.") for words in study.findings)
    assert any(words.endswith("name one station for 100 %.") for words in study.findings)


def test_waiting_is_what_the_accounts_of_the_stations_say(moving) -> None:
    plant, made = moving
    window = made.window(200, 3000)
    study = flow(plant, "a1", window)
    for row in study.tables["waiting"].iter_rows(named=True):
        (own,) = account(plant, "a1", window, station=row["station"])
        assert row["busy_us"] == own.planned_busy_us
        for what in ("starved", "blocked"):
            assert row[f"{what}_share"] == pytest.approx(own.us(what) / own.planned_busy_us)
    shares = study.tables["waiting_over_time"].select(pl.sum_horizontal(pl.col("^.*_share$"))).to_series()
    assert shares.to_list() == pytest.approx([1.0] * len(shares))
    whole, bins = study.tables["waiting"], study.tables["waiting_over_time"]
    for name in ("starved_share", "blocked_share"):
        summed = bins.group_by("station").agg((pl.col(name) * pl.col("busy_us")).sum() / pl.col("busy_us").sum())
        assert dict(summed.rows()) == pytest.approx(dict(whole.select("station", name).rows()))


def test_a_buffer_before_the_bottleneck_is_full_and_one_behind_it_empty(moving) -> None:
    plant, made = moving
    levels = flow(plant, "a1", made.window(2400, 3300)).tables["levels"]  # s3 is slow
    assert levels.select("from", "to", "capacity_n").rows() == [("s1", "s2", 2), ("s2", "s3", 2)]
    assert levels["full_share"].min() > 0.9
    early = flow(plant, "a1", made.window(300, 1500)).tables["levels"]  # s1 is slow
    assert early["empty_share"].min() > 0.9


def test_a_stop_makes_its_station_the_bottleneck_while_it_lasts(tmp_path: Path) -> None:
    made = serial_line([9, 10, 9], [1, 1], 200, stops=[Stop(0, 900, 400)])
    study = flow(made.open(tmp_path), "a1", made.window(900, 1300))
    assert study.tables["bottleneck"]["station"][0] == "s1"
    named = dict(study.tables["named_by"].select("method", "station").rows())
    assert named["gating chain"] == "s1"


def test_one_station_is_chosen_by_name_and_a_wrong_name_is_told(moving) -> None:
    plant, made = moving
    study = flow(plant, "a1", made.window(), station="s2")
    for name in ("waiting", "bottleneck", "line", "waiting_over_time"):
        assert set(study.tables[name]["station"]) == {"s2"}
    assert study.tables["levels"].height == 2
    with pytest.raises(InputError, match="no such station"):
        flow(plant, "a1", made.window(), station="s9")
    with pytest.raises(InputError, match="no such product"):
        flow(plant, "a1", made.window(), product="cup")


def test_a_product_is_looked_at_alone(tmp_path: Path) -> None:
    events = log("""
        06:00:00 press in P1 product=dish
        06:00:00 press starts P1 product=dish
        06:00:10 press ends P1
        06:00:10 press out P1
        06:00:11 pack in P1
        06:00:11 pack starts P1
        06:00:19 pack ends P1
        06:00:19 pack out P1
        06:00:20 press in P2 product=lid
        06:00:20 press starts P2 product=lid
        06:00:30 press ends P2
        06:00:30 press out P2
        06:00:33 pack in P2
        06:00:33 pack starts P2
        06:00:41 pack ends P2
        06:00:41 pack out P2
    """)
    plant = book(tmp_path, events)
    window = shift("06:00:00", "06:01:00")
    assert flow(plant, "a1", window).tables["little"]["out_n"].to_list() == [2]
    study = flow(plant, "a1", window, product="lid")
    assert study.tables["little"]["out_n"].to_list() == [1]
    assert study.tables["little"]["mean_stay_us"].to_list() == [21 * S]
    assert study.tables["levels"]["mean_n"].to_list() == pytest.approx([3 / 60])


# Bad input: a stated result or a stated refusal.


def told(tmp_path: Path, text: str, until: str = "06:10:00", **model: object):
    study = flow(book(tmp_path, log(text), cell_model=cell(**model)), "a1", shift("06:00:00", until))
    assert study.findings
    return study


def test_time_that_is_not_planned_has_no_flow(tmp_path: Path) -> None:
    plant = book(tmp_path, log("06:00:00 press starts P1\n06:00:10 press ends P1\n06:00:10 press out P1"))
    study = flow(plant, "a1", shift("14:30:00", "15:00:00"))
    assert study.findings == ["There is no planned busy time in this period."]
    assert study.tables == {}
    assert flow(plant, "a1", shift("07:00:00", "07:00:00")).tables == {}


def test_one_station_with_one_part_is_its_own_bottleneck(tmp_path: Path) -> None:
    study = told(
        tmp_path, "06:00:00 press starts P1 product=dish\n06:00:10 press ends P1\n06:00:10 press out P1",
        outlet="press", stations=[{"name": "press", "kind": "machine"}],
        products=[{"name": "dish", "takt_s": 10, "cycle_s": {"press": 10}}],
    )  # fmt: skip
    assert study.tables["bottleneck"]["lane"].to_list() == ["press"]
    assert any("one station only" in words for words in study.doubts)
    assert any("No levels" in words for words in study.doubts)


def test_without_part_numbers_waiting_is_told_and_levels_are_refused(tmp_path: Path) -> None:
    study = told(tmp_path, "06:00:00 press starts\n06:00:10 press ends\n06:00:12 press out\n06:00:12 pack in\n"
                           "06:00:12 pack starts\n06:00:20 pack ends\n06:00:20 pack out")  # fmt: skip
    assert study.tables["waiting"].filter(pl.col("station") == "press")["blocked_share"][0] == pytest.approx(2 / 600)
    assert study.tables["levels"].is_empty()
    assert any("no part is followed" in words for words in study.doubts)
    assert any("Little" in words for words in study.doubts)


def test_states_alone_tell_waiting_and_the_rest_is_refused(tmp_path: Path) -> None:
    study = told(tmp_path, "06:00:00 press state running\n06:05:00 press state starved\n06:00:00 pack state blocked")
    rows = {row["station"]: row for row in study.tables["waiting"].iter_rows(named=True)}
    assert (rows["press"]["active_share"], rows["press"]["starved_share"]) == (0.5, 0.5)
    assert rows["pack"]["blocked_share"] == 1
    assert study.tables["bottleneck"]["lane"][0] == "press"


def test_a_record_that_tells_of_nobodys_work_leaves_all_time_unknown_and_no_bottleneck(tmp_path: Path) -> None:
    study = told(tmp_path, "06:00:00 press alarm W1")
    assert study.findings[0] == "No station was active in this period: there is no bottleneck to name."
    assert any("not told as working or waiting" in words for words in study.doubts)


def test_parts_that_go_backwards_and_products_unknown_to_the_model_are_counted_all_the_same(tmp_path: Path) -> None:
    study = told(tmp_path, """
        06:00:00 pack starts P1 product=wheel
        06:00:08 pack ends P1
        06:00:10 press starts P1 product=wheel
        06:00:20 press ends P1
        06:00:15 press starts P1
        06:00:30 press ends P1
        06:00:40 pack starts P1
        06:00:48 pack ends P1
        06:00:48 pack out P1
    """)  # fmt: skip
    assert study.tables["bottleneck"].height == 2
    assert ("press", "pack") in study.tables["levels"].select("from", "to").rows()


def test_pallets_that_come_round_again_are_followed_by_the_parts_on_them(tmp_path: Path) -> None:
    made = roomy_loop([10, 20, 15], [5, 4, 6], 4, 20)
    study = flow(made.open(tmp_path), "a1", made.window(400, 1400))
    named = dict(study.tables["named_by"].select("method", "station").rows())
    assert named["shifting bottleneck"] == "s2"
    assert study.tables["line"]["station"].to_list() == ["s1", "s2", "s3"]


def test_the_same_lines_in_another_order_give_the_same_flow(tmp_path: Path) -> None:
    made = serial_line([9, 10, 9], [1, 1], 60)
    mixed = made.events.sample(fraction=1, shuffle=True, seed=1)
    first = flow(made.open(tmp_path / "a"), "a1", made.window())
    second = flow(book(tmp_path / "b", mixed, made.plant, made.cell), "a1", made.window())
    assert first.findings == second.findings
    assert all(first.tables[name].equals(second.tables[name]) for name in first.tables)
