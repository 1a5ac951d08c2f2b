"""Changes of product and of carriers: how long, made of what, hidden or waited for."""

from __future__ import annotations

import polars as pl
import pytest

from analytics.account import Window
from analytics.busy_clock import busy_clock
from analytics.studies.changeovers.carriers import carrier_changes, per_carrier
from analytics.studies.changeovers.find import COLUMNS, changes, matrix
from analytics.studies.changeovers.study import ChangeFacts, change_table, changeovers, tell
from analytics.studies.output_rate import STABLE_N, departures, first_after
from tests.analytics.studies.frames import S, marks, parts, planned, spans
from tests.logs import at, book, log, plant, shift
from tests.sample import sample_plant, truth

FAMILY: dict[str, str] = {}
BUSY = [("06:00:00", "14:00:00", "busy")]


NOTHING = spans()
NO_MARKS = marks("06:00:00 mode * automatic")


def facts(good: pl.DataFrame, **more: pl.DataFrame) -> ChangeFacts:
    own = {
        "fed": good.select(pl.col("us") - 60 * S, "product"),
        "rejects": good.select("us", "product").clear(),
        "marks": NO_MARKS,
        "stops": spans(line="micro_stop"),
        "plan": planned(*BUSY),
        "waits": NOTHING,
        "visits": pl.DataFrame(schema={"carrier": pl.String, "parts_n": pl.Int64, "sets_n": pl.Int64}),
    }
    return ChangeFacts(good=good, **(own | more))


def table(own: ChangeFacts) -> pl.DataFrame:
    clock = busy_clock(own.plan)
    return change_table(own, departures(own.good, clock, FAMILY), clock, FAMILY)[0]


TWO = parts(("cup", "06:00:00", 61, 10), ("mug", "06:30:00", 60, 10))  # the last cup at 06:10:00


def test_a_changeover_reaches_from_the_last_good_part_of_the_old_to_the_first_good_of_the_new():
    """Shingo 1985 as in common practice; here 06:10 to 06:30."""
    row = table(facts(TWO)).row(0, named=True)
    assert (row["old"], row["new"], row["us"], row["busy_us"]) == ("cup", "mug", 1200 * S, 1200 * S)
    assert (row["log_line"], row["log_end_line"]) == (61, 62)


def test_its_pieces_add_up_and_each_instant_belongs_to_the_first_that_explains_it():
    own = table(
        facts(
            TWO,
            marks=marks("06:12:00 mode * setup\n06:22:00 mode * automatic"),
            stops=pl.concat(
                [
                    spans(("06:20:00", "06:25:00"), line="breakdown"),  # two minutes of it in set-up mode
                    spans(("06:24:00", "06:27:00"), line="micro_stop"),  # one minute of it in the breakdown
                    spans(("06:13:00", "06:15:00"), line="waiting_people"),  # in set-up mode
                ]
            ),
            plan=planned(
                ("06:00:00", "06:16:00", "busy"),
                ("06:16:00", "06:18:00", "planned_stop"),
                ("06:18:00", "14:00:00", "busy"),
            ),
        )
    ).row(0, named=True)
    made_of = {name: own[f"{name}_us"] / 60 / S for name in COLUMNS if own[f"{name}_us"]}
    # Fed at 06:29, a minute before it came out good.
    assert made_of == {
        "before_set_up": 2, "waiting_people": 2, "planned_stop": 2, "set_up": 6, "stopped": 5, "filling": 1, "other": 2,
    }  # fmt: skip
    assert sum(own[f"{name}_us"] for name in COLUMNS) == own["us"] == 1200 * S
    assert own["busy_us"] == 1080 * S
    assert own["drain_us"] == 60 * S


def test_without_a_set_up_mode_of_the_cell_that_of_its_stations_counts():
    own = table(facts(TWO, marks=marks("06:12:00 state press setup\n06:14:00 state press running")))
    assert own["set_up_us"].to_list() == [120 * S]


def test_a_set_up_that_never_ends_lasts_until_the_first_good_part():
    own = table(facts(TWO, marks=marks("06:12:00 mode * setup")))
    assert own["set_up_us"].to_list() == [18 * 60 * S]


def test_rejects_of_the_new_product_before_its_first_good_part_are_counted():
    bad = pl.DataFrame({"us": [at("06:29:00"), at("06:31:00"), at("06:20:00")], "product": ["mug", "mug", "cup"]})
    assert table(facts(TWO, rejects=bad))["rejects_n"].to_list() == [1]


def test_the_rate_is_stable_from_the_first_of_five_usual_periods_in_a_row():
    """The first three mugs come slowly, 30 s apart; the usual period is 10 s."""
    good = parts(("cup", "06:00:00", 61, 10), ("mug", "06:30:00", 4, 30), ("mug", "06:31:40", 60, 10))
    row = table(facts(good)).row(0, named=True)
    assert row["stable_at_us"] == at("06:31:40")
    assert row["stable_us"] == (21 * 60 + 40) * S


def test_a_product_of_which_few_were_made_has_no_usual_rate():
    study = tell(facts(parts(("cup", "06:00:00", 61, 10), ("mug", "06:30:00", 5, 10))), FAMILY, shift())
    assert study.tables["changeovers"]["stable_us"].to_list() == [None]
    assert any("no stable rate" in d for d in study.doubts)


def test_strays_between_runs_are_no_changeovers():
    good = parts(("cup", "06:00:00", 30, 10), ("mug", "06:05:02", 2, 1), ("cup", "06:05:10", 30, 10))
    found, strays = changes(departures(good, busy_clock(planned(*BUSY)), FAMILY))
    assert (found.height, strays) == (0, 2)


def test_the_matrix_gives_the_best_seen_of_each_pair_and_what_went_beyond_it():
    own = pl.DataFrame(
        {"old": ["a", "a", "b", "a"], "new": ["b", "b", "a", "b"], "busy_us": [700, 400, 900, 600],
         "set_up_us": [300, 300, 300, 200], "stable_us": [710, None, 950, 630]}
    )  # fmt: skip
    rows = matrix(own).select("old", "new", "count_n", "median_us", "least_us", "most_us", "over_best_us").rows()
    assert rows == [("a", "b", 3, 600, 400, 700, 500), ("b", "a", 1, 900, 900, 900, None)]


def test_busy_time_stands_still_in_planned_stops_and_outside_the_plan():
    clock = busy_clock(
        planned(
            ("06:10:00", "06:20:00", "busy"), ("06:20:00", "06:30:00", "planned_stop"), ("06:30:00", "06:40:00", "busy")
        )
    )
    at_us = [at(c) for c in ("06:00:00", "06:15:00", "06:25:00", "06:31:00", "07:00:00")]
    assert (clock.at(at_us) / S).tolist() == [0, 300, 600, 660, 1200]
    assert busy_clock(planned()).at([5]).tolist() == [0]


def test_the_first_part_after_an_instant_counts_only_until_the_next_stop():
    rows = departures(parts(("cup", "06:10:00", 60, 10)), busy_clock(planned(*BUSY)), FAMILY)
    starts = pl.DataFrame({"id": [0, 1], "from_us": [at("06:00:00"), at("06:05:00")],
                           "until_us": [at("06:05:00"), None]})  # fmt: skip
    found = first_after(starts, rows)
    assert found["first_us"].to_list() == [None, at("06:10:00")]
    assert found["stable_us"].to_list() == [None, at("06:10:10")]
    assert rows.filter("stable").height == 60 - STABLE_N


TRAYS = marks(
    """
    06:00:00 carrier_start tray T1
    06:00:00 carrier_start tray T2
    06:30:00 carrier_end tray T1
    06:30:04 carrier_start tray T3
    07:00:00 carrier_end tray T2
    07:20:00 carrier_end tray T3
    07:50:00 carrier_start tray T4
    07:50:00 carrier_start tray T5
    08:20:00 carrier_end tray T4
    """
)


def test_carriers_pair_in_order_and_a_wait_belongs_to_the_change_that_ended_it():
    found = carrier_changes(TRAYS, spans(("07:21:00", "07:50:00")), NOTHING)
    assert found.select("carrier", "next_carrier", "how").rows() == [
        ("T1", "T3", "hidden"), ("T2", "T4", "waited"), ("T3", "T5", "waited"), ("T4", None, "none came"),
    ]  # fmt: skip
    assert found["waited_us"].to_list() == [0, 29 * 60 * S, 0, 0]
    assert found["us"].to_list() == [4 * S, 50 * 60 * S, 30 * 60 * S, None]


def test_a_change_within_a_change_of_product_is_neither_hidden_nor_waited_for():
    found = carrier_changes(TRAYS, NOTHING, spans(("06:29:00", "06:40:00")))
    assert found["how"].to_list() == ["apart", "hidden", "hidden", "none came"]


def test_a_change_much_longer_than_usual_found_no_carrier_ready():
    lines = []
    for k in range(10):
        hour, minute = 6 + k // 2, k % 2 * 30
        lines.append(f"{hour:02d}:{minute:02d}:00 carrier_start tray T{k}")
        lines.append(f"{hour:02d}:{minute + 29:02d}:5{k % 5} carrier_end tray T{k}")
    text = "\n".join([*lines, "11:20:00 carrier_start tray T10"])
    found = carrier_changes(marks(text), NOTHING, NOTHING)
    assert found["late"].to_list() == [False] * 9 + [True]
    visits = pl.DataFrame({"carrier": ["T1"], "parts_n": [180], "sets_n": [60]})
    row = per_carrier(found, visits).filter(pl.col("carrier") == "T1").row(0, named=True)
    assert (row["changes_n"], row["parts_n"], row["late_n"]) == (1, 180, 0)


def test_the_order_of_rows_changes_nothing():
    own = facts(TWO, marks=TRAYS, stops=spans(("06:20:00", "06:25:00"), ("06:21:00", "06:26:00"), line="breakdown"))
    turned = ChangeFacts(**{name: getattr(own, name).reverse() for name in ChangeFacts.__dataclass_fields__})
    one, other = tell(own, FAMILY, shift()), tell(turned, FAMILY, shift())
    assert one.findings == other.findings
    assert all(frame.equals(other.tables[name]) for name, frame in one.tables.items())


def test_from_log_lines_to_a_changeover_and_a_day_of_one_product_has_none(tmp_path):
    lines = [f"06:{k:02d}:00 press starts {'CL'[k > 9]}{k} product={'dish' if k < 10 else 'lid'}\n"
             f"06:{k:02d}:10 press ends {'CL'[k > 9]}{k}\n06:{k:02d}:20 pack out {'CL'[k > 9]}{k}"
             for k in (*range(10), *range(20, 30))]  # fmt: skip
    study = changeovers(book(tmp_path / "a", log("\n".join(lines))), "a1", shift())
    assert study.tables["matrix"].select("old", "new", "count_n", "median_us").rows() == [("dish", "lid", 1, 660 * S)]
    assert study.cautions
    one = changeovers(book(tmp_path / "b", log("\n".join(lines[:10]))), "a1", shift())
    assert one.findings == ["No change of product in this period."]
    nothing = changeovers(book(tmp_path / "c", log("06:00:00 press alarm A1"), plant()), "a1", shift())
    assert nothing.findings == ["No change of product in this period."]


@pytest.mark.parametrize("cell", ["spoon", "timer"])
def test_the_sample_plants_changeovers_are_those_of_the_truth(cell):
    """Times from the generator's own record of every part; set-up 7 to 18 minutes (sample_logs/README.md)."""
    own = sample_plant()
    days = [own.file.day_bounds(d) for d in own.days(cell)]
    study = changeovers(own, cell, Window("all", days[0][0], days[-1][1]))
    good = truth("parts").filter((pl.col("cell") == cell) & (pl.col("outcome") == "good")).sort("done_us")
    family = pl.col("product").str.split("-").list.first() if cell == "spoon" else pl.col("product")
    rows = good.select(family=family, us="done_us").with_columns(
        old=pl.col("family").shift(1), us_before=pl.col("us").shift(1)
    )
    want = rows.filter(pl.col("old") != pl.col("family"))
    got = study.tables["changeovers"]
    assert got.select("old", "new").rows() == want.select("old", "family").rows()
    for mine, theirs in (("start_us", "us_before"), ("end_us", "us")):
        assert (got[mine] - want[theirs]).abs().max() <= 20_000
    assert got["set_up_us"].min() >= 7 * 60 * S
    assert got["set_up_us"].max() <= 18 * 60 * S


def test_the_sample_plants_waits_for_trays_are_those_of_the_truth():
    own = sample_plant()
    days = [own.file.day_bounds(d) for d in own.days("spoon")]
    found = changeovers(own, "spoon", Window("all", days[0][0], days[-1][1])).tables["carrier_changes"]
    waits = truth("stops").filter(
        (pl.col("cell") == "spoon") & (pl.col("line") == "carrier_change") & (pl.col("station") == "tray")
        & (pl.col("end_us") < days[-1][1])
    )  # fmt: skip
    late = found.filter(pl.col("waited_us") > 0).sort("end_us")
    assert late.height == waits.height > 0
    assert (late["end_us"] - waits.sort("end_us")["end_us"]).abs().max() <= S
    length = waits.sort("end_us").select(us=pl.col("end_us") - pl.col("start_us"))["us"]
    assert (late["waited_us"] <= length + 20_000).all()
