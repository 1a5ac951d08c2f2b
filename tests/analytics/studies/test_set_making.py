"""Sets: time to complete, the last member, stranded members, yields and the feed mix."""

from __future__ import annotations

from math import prod

import polars as pl
import pytest

from analytics.account import Window
from analytics.statistics.order_statistics import quantile, ranks
from analytics.studies.set_making.follow import DEMAND, fate_of_sets, follow
from analytics.studies.set_making.mix import feed_mix, first_tries, set_yields
from analytics.studies.set_making.study import set_making
from ingest.errors import InputError
from tests.logs import at, book, cell, log, shift
from tests.sample import sample_plant, truth

NEED = pl.DataFrame([("duo", "cup", 1), ("duo", "lid", 1)], schema=DEMAND, orient="row")
DUO = cell(
    outlet="tray",
    stations=[
        {"name": "press", "kind": "machine"},
        {"name": "tray", "kind": "carrier", "from": ["press"]},
    ],
    products=[
        {"name": "cup", "set": "duo", "takt_s": 10, "cycle_s": {"press": 10}},
        {"name": "lid", "set": "duo", "takt_s": 30, "cycle_s": {"press": 10}},
    ],
    sets=[{"name": "duo", "members": {"cup": 1, "lid": 1}}],
)


def put(text: str) -> pl.DataFrame:
    """Read `06:00:05 T1/1 cup [carrier]`: when a member was put into which set."""
    rows = []
    for n, line in enumerate(text.strip().splitlines(), start=1):
        clock, name, member, *more = line.split()
        rows.append((name, member, f"P{n}", at(clock), at(clock) - 20_000_000, more[0] if more else None, "t.log", n))
    columns = ("set", "member", "part", "us", "fed_us", "carrier", "file", "line")
    return pl.DataFrame(rows, schema=list(columns), orient="row", infer_schema_length=None).cast({"carrier": pl.String})


def instants(rows: list[tuple[str, str]], key: str) -> pl.DataFrame:
    return pl.DataFrame(
        [(name, at(clock)) for name, clock in rows], schema={key: pl.String, "us": pl.Int64}, orient="row"
    )


def lost(*rows: tuple[str, str, str]) -> pl.DataFrame:
    schema = {"member": pl.String, "us": pl.Int64, "station": pl.String, "cause": pl.String}
    own = [(member, at(clock), station, "scratch") for clock, member, station in rows]
    return pl.DataFrame(own, schema=schema, orient="row").with_columns(file=pl.lit("p.log"), line=pl.lit(7))


NO_VISIT, NO_CARRIER, NO_ORDER = instants([], "carrier"), instants([], "carrier"), instants([], "kit")
MEETING = put(
    """
    06:00:00 T1/1 cup T1
    06:00:07 T1/1 lid T1
    06:00:10 T1/2 lid T1
    06:00:12 T1/3 cup T1
    06:00:40 T1/2 cup T1
    """
)


def test_a_set_is_complete_when_its_last_member_comes_and_that_one_was_waited_for():
    rows = follow(MEETING, NO_VISIT, NEED)
    assert rows.select("set", "last_member", "waited_us", "log_line", "log_end_line").rows() == [
        ("T1/1", "lid", 7_000_000, 1, 2),
        ("T1/2", "cup", 30_000_000, 3, 5),
        ("T1/3", None, None, 4, 4),
    ]
    assert rows["missing"].to_list() == [None, None, ["lid"]]
    assert (rows["completed_us"] - rows["fed_us"]).to_list() == [27_000_000, 50_000_000, None]


def test_of_two_members_at_one_instant_none_is_the_last(tmp_path):
    rows = follow(put("06:00:00 A cup\n06:00:00 A lid"), NO_VISIT, NEED)
    assert rows.select("last_member", pl.col("completed_us").is_not_null()).rows() == [(None, True)]
    lines = log("06:00:00 tray out P1 set=A product=cup\n06:00:00 tray out P2 set=A product=lid\n"
                "06:00:09 tray out P3 set=B product=bowl")  # fmt: skip
    study = set_making(book(tmp_path, lines, cell_model=DUO), "a1", shift())
    assert study.tables["last_member"].is_empty()
    assert any("at one instant" in d for d in study.doubts)
    assert any("of no set of the model: bowl" in d for d in study.doubts)


def test_the_order_of_rows_changes_nothing():
    backwards = follow(MEETING.reverse(), NO_VISIT, NEED)
    assert backwards.equals(follow(MEETING, NO_VISIT, NEED))


def test_a_place_of_a_carrier_that_comes_again_is_another_set():
    twice = put("06:00:00 T1/1 cup T1\n06:00:07 T1/1 lid T1\n07:00:00 T1/1 cup T1")
    rows = follow(twice, instants([("T1", "05:59:00"), ("T1", "06:30:00")], "carrier"), NEED)
    assert rows.select("set", "placed_n", pl.col("completed_us").is_not_null()).rows() == [
        ("T1/1", 2, True),
        ("T1/1", 1, False),
    ]


def test_a_member_too_many_is_surplus_and_completes_nothing():
    rows = follow(put("06:00:00 T1/1 cup\n06:00:05 T1/1 cup"), NO_VISIT, NEED)
    assert rows.select("placed_n", "surplus_n").rows() == [(2, 1)]
    assert rows["missing"].to_list() == [["lid"]]


@pytest.mark.parametrize(
    ("carriers", "orders", "rejects", "status", "why"),
    [
        ([("T1", "07:00:00")], [], lost(("06:30:00", "lid", "press")), "stranded", "lid rejected at press"),
        ([("T1", "07:00:00")], [], lost(("05:30:00", "lid", "press")), "stranded", "carrier left"),
        ([("T1", "07:00:00")], [], lost(("06:30:00", "cup", "press")), "stranded", "carrier left"),
        ([("T1", "07:00:00")], [("duo", "06:59:00")], lost(), "stranded", "order ended"),
        ([("T1", "09:00:00")], [], lost(), "open", "still open at the end of the period"),
        ([("T9", "07:00:00")], [], lost(), "open", "still open at the end of the period"),
        ([], [("duo", "06:59:00")], lost(), "stranded", "order ended"),
        ([], [], lost(), "open", "still open at the end of the period"),
    ],
)
def test_a_member_without_its_partner_is_stranded_for_a_reason(carriers, orders, rejects, status, why):
    rows = follow(put("06:00:00 T1/1 cup T1"), NO_VISIT, NEED)
    told = fate_of_sets(rows, instants(carriers, "carrier"), instants(orders, "kit"), rejects, at("08:00:00"))
    assert told.select("status", "why").rows() == [(status, why)]
    assert told["lost_line"].to_list() == [7 if "rejected" in why else None]


def test_without_carriers_and_orders_a_set_is_closed_by_the_next_of_another_kind():
    both = pl.concat([NEED, pl.DataFrame([("pair", "fork", 1)], schema=DEMAND, orient="row")])
    rows = follow(put("06:00:00 A cup\n06:10:00 B fork"), NO_VISIT, both)
    told = fate_of_sets(rows, NO_CARRIER, NO_ORDER, lost(), at("08:00:00"))
    assert told.select("set", "status", "why").rows() == [
        ("A", "stranded", "another product followed"),
        ("B", "complete", None),
    ]


def test_a_set_that_is_completed_after_the_period_was_open_at_its_end():
    rows = follow(put("07:59:00 T1/1 cup T1\n08:00:00 T1/1 lid T1"), NO_VISIT, NEED)
    told = fate_of_sets(rows, NO_CARRIER, NO_ORDER, lost(), at("08:00:00"))
    assert told.select("status", "why").rows() == [("open", "completed after the end of the period")]


def left(*rows: tuple[str, int, int, int]) -> pl.DataFrame:
    return pl.DataFrame(rows, schema=["product", "fed_n", "good_n", "bad_n"], orient="row")


def test_the_yield_of_sets_is_the_product_of_their_members_yields():
    """If members fail independently (rolled throughput yield, common practice): 0.9 x 0.8 = 0.72 for one of each."""
    mix = feed_mix(left(("cup", 100, 90, 10), ("lid", 100, 80, 20)), NEED, {"duo": 80})
    row = set_yields(mix, first_tries(_tries(1000, 10, 5), NEED), DUO.takts()).row(0, named=True)
    assert row["members_yield_share"] == pytest.approx(0.72)
    assert row["rejected_n"] == 30
    assert row["rejects_us"] == 10 * 10_000_000 + 20 * 30_000_000
    assert row["rejects_worth_sets"] == pytest.approx(700 / 40)  # a set is planned for 10 + 30 s
    assert row["sets_without_rejects_n"] == 100


def _tries(n: int, cup_every: int, lid_every: int) -> pl.DataFrame:
    """Fed in turn; every so-manieth cup and lid is bad."""
    rows = []
    for k in range(n):
        rows.append((f"C{k}", "cup", 2 * k, "reject" if k % cup_every == 0 else "good"))
        rows.append((f"L{k}", "lid", 2 * k + 1, "reject" if k % lid_every == 0 else "good"))
    schema = {"part": pl.String, "product": pl.String, "fed_us": pl.Int64, "outcome": pl.String}
    return pl.DataFrame(rows, schema=schema, orient="row")


def test_nominal_sets_see_that_rejects_come_together():
    """Every bad cup meets a bad lid: 80 % of the sets are whole, where independence would give 72 %."""
    assert first_tries(_tries(1000, 10, 5), NEED).rows() == [("duo", 1000, 800)]
    apart = first_tries(_tries(997, 10, 7), NEED)["whole_n"][0] / 997
    assert apart == pytest.approx(prod((9 / 10, 6 / 7)), abs=0.01)


def test_the_feed_mix_tells_too_many_and_too_few():
    """80 sets need 80 / 0.9 = 89 cups and 80 / 0.8 = 100 lids; 200 cups were fed."""
    mix = feed_mix(left(("cup", 200, 180, 20), ("lid", 100, 80, 20)), NEED, {"duo": 80})
    assert mix.select("member", "verdict").rows() == [("cup", "too many"), ("lid", "matched")]
    assert mix["needed_per_set"].to_list() == [pytest.approx(1 / 0.9), pytest.approx(1.25)]
    assert mix["beyond_n"].to_list() == [pytest.approx(200 - 80 / 0.9), pytest.approx(0)]


def test_a_member_that_is_always_bad_and_no_set_at_all_give_no_false_figure():
    mix = feed_mix(left(("cup", 5, 0, 5), ("lid", 0, 0, 0)), NEED, {})
    assert mix.select("needed_per_set", "fed_per_set", "beyond_n", "verdict").rows() == [(None,) * 4] * 2
    assert set_yields(mix, first_tries(_tries(0, 1, 1), NEED), DUO.takts())["members_yield_share"].to_list() == [None]


@pytest.mark.parametrize(("n", "want"), [(5, None), (6, (1, 6)), (10, (2, 9)), (20, (6, 15)), (25, (8, 18))])
def test_the_ranks_around_a_median_are_those_of_the_sign_test(n, want):
    """Table of the sign test at 5 % (Conover, Practical Nonparametric Statistics 1999, table A3; from memory)."""
    assert ranks(n) == want


def test_a_median_is_enclosed_by_two_of_its_values():
    found = quantile([9, 1, 8, 2, 7, 3, 6, 4, 5, 10])
    assert (found.value, found.low, found.high) == (5.5, 2, 9)
    assert quantile([]) is None


LOG = """
    06:00:00 * order O1 product=duo
    06:00:05 tray carrier T1
    06:00:10 press starts P1 product=cup
    06:00:20 press ends P1
    06:00:22 tray out P1 product=cup set=T1/1 carrier=T1
    06:00:30 press starts P2 product=lid
    06:00:40 press ends P2
    06:00:44 tray out P2 product=lid set=T1/1 carrier=T1
    06:00:50 press starts P3 product=cup
    06:01:00 press ends P3
    06:01:02 tray out P3 product=cup set=T1/2 carrier=T1
    06:01:10 press starts P4 product=lid
    06:01:20 press ends P4
    06:01:21 press reject P4 cause=scratch
    06:02:00 tray carrier_end T1
"""


def test_from_log_lines_to_a_stranded_member(tmp_path):
    study = set_making(book(tmp_path, log(LOG), cell_model=DUO), "a1", shift())
    assert study.tables["unfinished"].select("status", "set", "why", "lost_line").rows() == [
        ("stranded", "T1/2", "lid rejected at press", 14)
    ]
    assert study.tables["times"].select("sets_n", "median_us", "fed_median_us", "low_us").rows() == [
        (1, 22_000_000, 34_000_000, None)
    ]
    assert "1 member stranded in 1 set" in " ".join(study.findings)


def test_a_cell_without_sets_and_a_window_without_any_are_told(tmp_path):
    plain = set_making(book(tmp_path / "a", log(LOG)), "a1", shift())
    assert plain.tables == {}
    assert "makes no sets" in plain.doubts[0]
    empty = set_making(book(tmp_path / "b", log(LOG), cell_model=DUO), "a1", shift("08:00:00", "09:00:00"))
    assert empty.findings[0] == "No set was completed in this period."
    with pytest.raises(InputError, match="no such product"):
        set_making(book(tmp_path / "b", log(LOG), cell_model=DUO), "a1", shift(), product="mug")


def test_parts_without_numbers_still_make_sets(tmp_path):
    nameless = "06:00:05 tray out set=A product=cup\n06:00:09 tray out set=A product=lid"
    study = set_making(book(tmp_path, log(nameless), cell_model=DUO), "a1", shift())
    assert study.tables["times"].select("sets_n", "median_us", "fed_median_us").rows() == [(1, 4_000_000, None)]
    assert any("their feeding is not known" in d for d in study.doubts)


def test_the_sample_plants_sets_are_those_of_the_truth():
    """Complete sets, their medians and their last members, against the generator's own record of every part."""
    plant = sample_plant()
    days = [plant.file.day_bounds(d) for d in plant.days("spoon")]
    study = set_making(plant, "spoon", Window("all", days[0][0], days[-1][1]))
    placed = truth("parts").filter((pl.col("cell") == "spoon") & (pl.col("outcome") == "good")).sort("done_us")
    sets = placed.group_by("set", maintain_order=True).agg(
        kit=pl.col("product").first().str.split("-").list.first(), n=pl.len(),
        last=pl.col("product").last(), us=pl.col("done_us").last() - pl.col("done_us").first(),
    ).filter(pl.col("n") == 3)  # fmt: skip
    want = sets.group_by("kit").agg(n=pl.len(), us=pl.col("us").median()).sort("kit")
    got = study.tables["times"]
    assert got["sets_n"].to_list() == want["n"].to_list()
    assert got["median_us"].to_list() == pytest.approx(want["us"].to_list(), abs=20_000)
    last = dict(sets.group_by("last").len().rows())
    assert {m: n for m, n in study.tables["last_member"].select("member", "last_n").rows() if n} == last
    assert study.tables["unfinished"].is_empty() == (placed["set"].n_unique() == sets.height)
