"""Tiles and cuts against the plain way: asking at every single instant who has it."""

import random

import polars as pl
import pytest

from analytics.intervals import cut, disjoint, tile
from analytics.prepare import prepare
from tests.logs import cell, log

LANES = pl.DataFrame({"lane": ["press.2", "camera", "press.1"]})
CLAIMS = {"lane": pl.String, "start_us": pl.Int64, "end_us": pl.Int64, "level": pl.Int64, "why": pl.String}


def claims(rows):
    return pl.DataFrame(rows, schema=CLAIMS, orient="row")


def some_claims(seed, n=40):
    draw = random.Random(seed)
    rows = []
    for k in range(n):
        start = draw.randrange(-5, 60)
        lane = draw.choice([*LANES["lane"], "elsewhere"])
        rows.append((lane, start, start + draw.randrange(0, 20), draw.randrange(4), f"claim {k}"))
    return claims(rows)


def owner_at(found, lane, us):
    inside = found.filter((pl.col("lane") == lane) & (pl.col("start_us") <= us) & (pl.col("end_us") > us))
    assert inside.height == 1, f"{lane} at {us} belongs to {inside.height} tiles"
    return inside["why"][0]


@pytest.mark.parametrize("seed", range(20))
def test_every_instant_goes_to_the_lowest_level_that_claims_it(seed):
    given = some_claims(seed)
    found = tile(given, LANES, 0, 50)
    clipped = given.with_columns(pl.col("start_us", "end_us").clip(0, 50)).filter(pl.col("start_us") < pl.col("end_us"))
    apart = disjoint(clipped, ["lane", "level"])
    for lane in LANES["lane"]:
        for us in range(50):
            claim = apart.filter((pl.col("lane") == lane) & (pl.col("start_us") <= us) & (pl.col("end_us") > us))
            expected = claim.sort("level")["why"][0] if claim.height else None
            assert owner_at(found, lane, us) == expected
    assert found.select("lane", "start_us").equals(found.select("lane", "start_us").sort("lane", "start_us"))


def test_a_lane_without_any_claim_is_one_tile_of_nobody():
    found = tile(claims([("camera", 10, 20, 1, "work")]), LANES, 0, 50)
    assert found.filter(pl.col("lane") == "press.1").rows() == [("press.1", 0, 50, None, None)]
    assert found.filter(pl.col("lane") == "camera")["why"].to_list() == [None, "work", None]
    assert tile(claims([]), LANES, 0, 50)["end_us"].to_list() == [50, 50, 50]


def test_claims_that_meet_at_an_instant_leave_no_gap_and_two_of_them_stay_two():
    found = tile(claims([("camera", 0, 20, 1, "first"), ("camera", 20, 50, 1, "second")]), LANES, 0, 50)
    assert found.filter(pl.col("lane") == "camera").select("start_us", "end_us", "why").rows() == [
        (0, 20, "first"),
        (20, 50, "second"),
    ]


@pytest.mark.parametrize("seed", range(20))
def test_a_cut_keeps_every_instant_and_takes_over_what_the_tile_says(seed):
    pieces = tile(some_claims(seed), LANES, 0, 50).select("lane", "start_us", "end_us", "why")
    plan = tile(some_claims(seed + 100), LANES, 0, 50).select("lane", "start_us", "end_us", plan="why")
    found = cut(pieces, plan, ["plan"])
    assert (found["end_us"] - found["start_us"]).sum() == (pieces["end_us"] - pieces["start_us"]).sum()
    for lane in LANES["lane"]:
        for us in range(50):
            assert owner_at(found, lane, us) == owner_at(pieces, lane, us)
            assert owner_at(found.with_columns(why="plan"), lane, us) == owner_at(
                plan.with_columns(why="plan"), lane, us
            )


def test_what_has_no_length_stays_whole_and_stands_before_what_begins_there():
    plan = pl.DataFrame({"lane": ["camera"] * 2, "start_us": [0, 20], "end_us": [20, 50], "plan": ["busy", "break"]})
    pieces = pl.DataFrame(
        {"lane": ["camera"] * 4, "start_us": [10, 20, 50, 20], "end_us": [30, 20, 50, 20], "n": [1, 2, 3, 4]}
    )
    assert cut(pieces, plan, ["plan"]).rows() == [
        ("camera", 10, 20, 1, "busy"),
        ("camera", 20, 20, 2, "break"),
        ("camera", 20, 20, 4, "break"),
        ("camera", 20, 30, 1, "break"),
        ("camera", 50, 50, 3, "break"),
    ]


def test_a_piece_of_a_lane_that_no_tile_knows_stays_as_it_is():
    plan = pl.DataFrame({"lane": ["camera"], "start_us": [0], "end_us": [20], "plan": ["busy"]})
    pieces = pl.DataFrame({"lane": ["*"], "start_us": [10], "end_us": [30]})
    assert cut(pieces, plan, ["plan"]).rows() == [("*", 10, 30, None)]
    assert cut(pieces.clear(), plan, ["plan"]).schema["plan"] == pl.String


def test_of_repeated_records_the_first_by_file_and_line_stays():
    once = log("06:00:00 press starts P1\n06:00:09 press ends P1\n06:00:09 press ends P2")
    again = once.with_columns(file=pl.lit("a-copy.log"), line=pl.col("line") + 100)
    kept = prepare(pl.concat([once, again]), cell())
    assert kept.height == once.height
    assert set(kept["file"]) == {"a-copy.log"}
