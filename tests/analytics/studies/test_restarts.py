"""Restarts: what the first minutes after them cost; and the books of unmanned, manned, hand-fed and bulk running."""

from __future__ import annotations

import polars as pl
import pytest

from analytics.account import Window
from analytics.busy_clock import busy_clock
from analytics.studies.output_rate import departures
from analytics.studies.restarts.after import FIRST_US, by_kind, difference, extra, first_parts, usual_beyond, watch
from analytics.studies.restarts.books import in_books, lines_of, of_products, totals
from analytics.studies.restarts.find import (
    BREAKDOWN,
    CHANGEOVER,
    UNMANNED,
    changed_stands,
    planned_stands,
    restarts,
    shift_ends,
    stood,
    stopped_stands,
    waited_stands,
)
from analytics.studies.restarts.study import after_restarts
from tests.analytics.studies.frames import S, parts, planned, spans
from tests.logs import at, book, cell, log, plant, shift
from tests.sample import sample_plant, truth

TAKTS = pl.DataFrame({"product": ["cup"], "takt_us": [10 * S]})
NO_END = pl.DataFrame(schema={"kind": pl.String, "us": pl.Int64})
LOST = {"log_end_file": pl.lit("p.log"), "log_end_line": pl.lit(5, pl.Int64)}


def broken(*rows: tuple[str, str], line: str = "breakdown") -> pl.DataFrame:
    return stopped_stands(spans(*rows, line=line).with_columns(**LOST))


def when(found: pl.DataFrame) -> list[tuple[str, str]]:
    """Kind and local time of restarts."""
    local = pl.from_epoch("at_us", "us").dt.replace_time_zone("UTC").dt.convert_time_zone("Europe/Berlin")
    return found.select("kind", local.dt.strftime("%H:%M")).rows()


def test_breakdowns_of_two_nests_that_overlap_are_one_restart():
    stands = stood(broken(("06:00:00", "06:10:00"), ("06:02:00", "06:12:00"), ("06:12:30", "06:13:00")))
    assert when(restarts(stands, NO_END)) == [(BREAKDOWN, "06:13")]
    apart = stood(broken(("06:00:00", "06:10:00"), ("06:11:30", "06:13:00")))
    assert when(restarts(apart, NO_END)) == [(BREAKDOWN, "06:10"), (BREAKDOWN, "06:13")]


def test_an_end_at_which_something_else_still_holds_the_cell_is_no_restart():
    pause = planned_stands(
        planned(("06:00:00", "07:00:00", "busy"), ("07:00:00", "07:15:00", "planned_stop")).with_columns(
            plan_cause=pl.lit("break")
        )
    )
    stands = stood(pl.concat([pause, broken(("06:50:00", "07:05:00"), ("07:10:00", "07:30:00"))]))
    found = restarts(stands, NO_END)
    assert when(found) == [(BREAKDOWN, "07:30")]
    assert found.select("log_file", "log_line").rows() == [("p.log", 5)]


def test_a_restart_is_watched_until_the_cell_next_stands_or_restarts():
    stands = stood(broken(("06:00:00", "06:10:00"), ("06:14:00", "06:20:00")))
    found = restarts(stands, pl.DataFrame({"kind": [UNMANNED], "us": [at("06:30:00")]}))
    assert found["until_us"].to_list() == [at("06:14:00"), at("06:30:00"), None]


def test_the_end_of_an_unmanned_shift_is_a_restart_where_a_manned_one_follows_at_once():
    own = planned(
        ("06:00:00", "07:00:00", "busy"), ("07:00:00", "08:00:00", "busy"), ("08:00:00", "09:00:00", "busy")
    ).with_columns(shift=pl.Series(["night", "early", "night"]))
    assert shift_ends(own, ["night"]).rows() == [(UNMANNED, at("07:00:00"))]
    assert shift_ends(own, []).is_empty()
    stands = stood(broken(("06:50:00", "07:10:00")))  # it stood when they came: that is the restart
    assert when(restarts(stands, shift_ends(own, ["night"]))) == [(BREAKDOWN, "07:10")]


def test_a_change_of_product_ends_with_set_up_or_else_with_the_first_feed():
    change = spans(("06:00:00", "06:30:00")).with_columns(id=pl.lit(0), first_fed_us=pl.lit(at("06:29:00")))
    lines = {"end_file": pl.lit("m.log"), "end_line": pl.lit(9, pl.Int64)}
    with_mode = changed_stands(change, spans(("06:05:00", "06:20:00")).with_columns(**lines))
    without = changed_stands(change, spans().with_columns(**lines))
    assert with_mode.rows() == [(CHANGEOVER, at("06:00:00"), at("06:20:00"), "m.log", 9)]
    assert without.rows() == [(CHANGEOVER, at("06:00:00"), at("06:29:00"), None, None)]


def test_short_silence_is_no_restart():
    silent = spans(("06:00:00", "06:00:40"), ("06:00:50", "06:01:20"), ("07:00:00", "07:00:20"), line="no_data")
    assert waited_stands(silent, 60 * S)["end_us"].to_list() == [at("06:01:20")]


DAY = planned(
    ("06:00:00", "07:00:00", "busy"), ("07:00:00", "07:15:00", "planned_stop"), ("07:15:00", "09:00:00", "busy")
)
CUPS = parts(("cup", "06:00:00", 361, 10), ("cup", "07:16:40", 400, 10))


def watched_after(found: pl.DataFrame, good: pl.DataFrame = CUPS) -> pl.DataFrame:
    clock = busy_clock(DAY)
    return watch(found, departures(good, clock, {}), TAKTS, clock)


def test_the_first_ten_minutes_are_held_against_the_planned_time_of_their_good_parts():
    """After the break the first cup comes 100 s late, then one every 10 s: 50 within ten minutes (100 to 590 s)."""
    found = restarts(planned_stands(DAY.with_columns(plan_cause=pl.lit("break"))), NO_END)
    row = watched_after(found).row(0, named=True)
    assert (row["kind"], row["first_good_us"], row["watched_us"]) == ("break", 100 * S, FIRST_US)
    assert (row["good_n"], row["beyond_us"]) == (50, 100 * S)
    assert row["stable_us"] == 110 * S


def test_a_restart_that_soon_stands_again_is_watched_for_so_long_only():
    stands = stood(broken(("07:20:00", "07:30:00"), ("07:35:00", "07:40:00")))
    good = CUPS.filter((pl.col("us") <= at("07:20:00")) | (pl.col("us") > at("07:36:00")))
    row = watched_after(restarts(stands, NO_END), good).row(0, named=True)
    assert (row["watched_us"], row["good_n"], row["first_good_us"]) == (300 * S, 0, None)


def test_calm_running_leaves_out_standing_and_watches():
    """Where it is calm a cup of 10 s comes every 20 s: half of the planned time lies beyond."""
    good = parts(("cup", "06:00:05", 170, 20))
    stands = stood(broken(("06:50:00", "06:58:20")))
    clock, own = busy_clock(DAY), departures(good, busy_clock(DAY), {})
    none = watch(restarts(stands.clear(), NO_END), own, TAKTS, clock)
    span = (at("06:00:00"), at("06:50:00"))
    assert usual_beyond(none, stands, own, TAKTS, clock, span) == pytest.approx(0.5)
    assert usual_beyond(none, stands, own, TAKTS, clock, (at("06:50:00"), at("06:58:20"))) is None
    after = watch(restarts(stood(broken(("05:50:00", "06:00:00"))), NO_END), own, TAKTS, clock)
    silent_start = own.filter(pl.col("us") > at("06:10:00"))
    assert usual_beyond(after, stands, silent_start, TAKTS, clock, span) == pytest.approx(0.5)


def fed(rows: list[tuple[str, str, str | None]]) -> pl.DataFrame:
    schema = {"part": pl.String, "fed_us": pl.Int64, "outcome": pl.String}
    return pl.DataFrame([(p, at(c), o) for p, c, o in rows], schema=schema, orient="row")


def test_the_first_parts_fed_after_a_restart_are_told_apart():
    found = restarts(stood(broken(("06:00:00", "06:10:00"))), NO_END)
    own = fed(
        [("P1", "06:05:00", "good"), ("P2", "06:10:00", "reject"), ("P3", "06:11:00", None), ("P4", "06:12:00", "good"),
         ("P5", "06:13:00", "removed")]
    )  # fmt: skip
    told = first_parts(found, own, 3)
    assert told.select("bad", "kind").rows() == [
        (False, None), (True, BREAKDOWN), (False, BREAKDOWN), (True, None),
    ]  # fmt: skip
    assert first_parts(found, own.reverse(), 3).equals(told)


def test_a_difference_of_shares_has_newcombes_interval():
    """Newcombe, Statistics in Medicine 17 (1998) 873-890, example (a), method 10: 0.0524 to 0.3339 (from memory)."""
    found = difference(56, 70, 48, 80)
    assert found == pytest.approx((0.2, 0.0524, 0.3339), abs=5e-5)
    assert difference(0, 0, 1, 2) is None


def test_kinds_are_summed_up_with_the_costliest_first():
    own = pl.DataFrame(
        {"kind": ["break", "breakdown", "break"], "first_good_us": [100, 5, 120], "stable_us": [110, None, 150],
         "beyond_us": [100 * S, 0, 60 * S], "watched_us": [600 * S, 300 * S, 600 * S]}
    )  # fmt: skip
    firsts = pl.DataFrame(
        {"fed_us": range(43), "bad": [True, True, False] + [False] * 39 + [True], "kind": ["break"] * 3 + [None] * 40}
    )
    table = by_kind(own, firsts, 0.05)
    assert table.select("kind", "restarts_n", "first_good_us", "extra_sum_us", "parts_n", "bad_n").rows() == [
        ("break", 2, 110.0, 100.0 * S, 3, 2),
        ("breakdown", 1, 5.0, -15.0 * S, 0, 0),
    ]
    assert table["usual_share"][0] == pytest.approx(1 / 40)
    assert table["more_low_share"][0] > 0
    assert table["more_low_share"][1] is None
    assert by_kind(own, firsts, None)["extra_sum_us"].to_list() == [None, None]


def test_books_close_and_a_set_is_hand_fed_if_a_member_is():
    model = cell(
        products=[
            {"name": "cup", "set": "duo", "takt_s": 10, "hand_fed": True},
            {"name": "lid", "set": "duo", "takt_s": 10},
            {"name": "dish", "takt_s": 10},
        ],
        sets=[{"name": "duo", "members": {"cup": 1, "lid": 1}}],
    )
    pieces = pl.DataFrame(
        {"shift": ["night", "night", "early", "early"], "line": ["good", "no_order", "good", "reject"],
         "product": ["dish", None, "duo", "mug"], "us": [70, 30, 50, 10]}
    )  # fmt: skip
    lines = lines_of(in_books(pieces, of_products(model), ["night"]))
    left = in_books(
        pl.DataFrame({"shift": ["night", "early"], "product": ["dish", "mug"], "good": [True, False], "n": [7, 1]}),
        of_products(model), ["night"],
    )  # fmt: skip
    sums = totals(lines, left).select("split", "book", "busy_us", "good_us", "good_n", "bad_n").rows()
    assert sums == [
        ("feeding", "bulk", 70, 70, 7, 0), ("feeding", "hand-fed", 50, 50, 0, 0),
        ("feeding", "no product known", 30, 0, 0, 0), ("feeding", "products not in the model", 10, 0, 0, 1),
        ("shifts", "manned", 60, 50, 0, 1), ("shifts", "unmanned", 100, 70, 7, 0),
    ]  # fmt: skip


def test_the_cost_of_restarts_has_students_interval_over_them():
    """Values 1, 2, 3, 4 s: sum 10, standard deviation 1.2910, t(0.975, 3) = 3.1824: +- 3.1824 x 1.2910 x 2 = 8.217."""
    own = pl.DataFrame({"beyond_us": [11.0 * S, 12.0 * S, 13.0 * S, 14.0 * S], "watched_us": [100.0 * S] * 4})
    found = extra(own, 0.1)
    assert (found.us / S, found.low_us / S, found.high_us / S) == pytest.approx((10, 1.783, 18.217), abs=1e-3)
    assert extra(own.head(1), 0.1).low_us is None
    assert extra(own, None) is None
    assert extra(own.clear(), 0.1) is None


LINE = "\n".join(
    f"06:{k:02d}:00 press starts P{k} product=dish\n06:{k:02d}:10 press ends P{k}\n06:{k:02d}:20 pack out P{k}"
    for k in (*range(10), *range(20, 30))
)


def test_from_log_lines_to_restarts_and_books(tmp_path):
    lines = log(f"{LINE}\n06:10:00 press alarm A1\n06:19:30 press clear A1")
    study = after_restarts(book(tmp_path, lines), "a1", shift("06:00:00", "06:30:00"))
    row = study.tables["restarts"].filter(pl.col("kind") == BREAKDOWN).row(0, named=True)
    assert row["restart_at_us"] == at("06:19:30")
    assert row["first_good_us"] == 50 * S
    assert any("unmanned" in d for d in study.doubts)
    for _, own in study.tables["books"].group_by("split"):
        assert own["busy_us"].sum() == 1800 * S


def test_a_window_with_nothing_in_it_is_told(tmp_path):
    own = book(tmp_path, log(LINE), plant(shifts=[{"name": "early", "start": "06:00", "end": "06:40"}]))
    study = after_restarts(own, "a1", shift("08:00:00", "09:00:00"))
    assert study.findings == ["No restart in this period."]
    assert study.tables["books"].is_empty()
    one = after_restarts(book(tmp_path / "one", log("06:00:00 press starts P1 product=dish")), "a1", shift())
    assert one.tables["books"]["busy_us"].to_list() == [8 * 3600 * S] * one.tables["books"].height


@pytest.mark.parametrize("name", ["spoon", "timer"])
def test_the_sample_plants_books_close_to_the_planned_time_of_the_truth(name):
    """Planned time of the unmanned shift from the generator's own calendar; each split closes to the microsecond."""
    own = sample_plant()
    days = [own.file.day_bounds(d) for d in own.days(name)]
    study = after_restarts(own, name, Window("all", days[0][0], days[-1][1]))
    books = study.tables["books"]
    plan = own.fact(name, "plan").filter((pl.col("lane") == "*") & (pl.col("plan") == "busy")).unique()
    busy = int((plan["end_us"] - plan["start_us"]).sum())
    assert {int(b["busy_us"].sum()) for _, b in books.group_by("split")} == {busy}
    nights = truth("shifts").filter((pl.col("cell") == name) & (pl.col("shift") == "night"))
    want = nights.group_by("day").agg(pl.col("planned_busy_us").max())["planned_busy_us"].sum() if nights.height else 0
    assert int(books.filter(pl.col("book") == UNMANNED.split()[0])["busy_us"].sum()) == want


def test_the_sample_plants_start_up_rejects_show_after_breaks_and_changeovers():
    """Planted: the first three parts after the cell turns to automatic are bad more often; not after breakdowns."""
    own = sample_plant()
    days = [own.file.day_bounds(d) for d in own.days("spoon")]
    kinds = after_restarts(own, "spoon", Window("all", days[0][0], days[-1][1])).tables["kinds"]
    more = dict(kinds.select("kind", pl.col("more_low_share") > 0).rows())
    assert more["break"]
    assert more[CHANGEOVER]
    assert not more[BREAKDOWN]
    marked = truth("parts").filter((pl.col("cell") == "spoon") & pl.col("start_up"))
    planted = marked.filter(pl.col("outcome") != "good").height / marked.height
    row = kinds.filter(pl.col("kind") == "break").row(0, named=True)
    assert row["bad_low_share"] < planted < row["bad_high_share"]
