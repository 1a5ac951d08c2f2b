"""Few rectangles for many intervals: nothing that matters goes missing."""

from __future__ import annotations

import polars as pl

from app.lanes import clip, overview

S = 1_000_000
SHIFT_US = 8 * 3600 * S


def tiles(rows: list[tuple[str, float, float, str]], plan: str = "busy") -> pl.DataFrame:
    """lane, from (s), to (s), line."""
    return pl.DataFrame(
        [(lane, round(a * S), round(b * S), line, None, plan, "x.log", n) for n, (lane, a, b, line) in enumerate(rows)],
        schema={"lane": pl.String, "start_us": pl.Int64, "end_us": pl.Int64, "line": pl.String, "cause": pl.String,
                "plan": pl.String, "log_file": pl.String, "log_line": pl.Int64},
        orient="row",
    )  # fmt: skip


def rhythm(
    lane: str, cycle_s: float = 9.0, stops: dict[int, float] | None = None
) -> list[tuple[str, float, float, str]]:
    """A shift of work and short starving; `stops`: cycle number -> seconds of a short stop in it."""
    rows, now, n = [], 0.0, 0
    while now < SHIFT_US / S:
        for line, length in (
            ("good", cycle_s * 0.8),
            ("micro_stop", (stops or {}).get(n, 0)),
            ("starved", cycle_s * 0.2),
        ):
            if length:
                rows.append((lane, now, now + length, line))
                now += length
        n += 1
    return rows


def test_few_intervals_are_drawn_as_they_are():
    few = tiles([("press", 0, 10, "good"), ("press", 10, 70, "breakdown"), ("press", 70, 100, "good")])
    drawn = overview(few, 0, 100 * S)
    assert drawn.select("start_us", "end_us", "line").rows() == few.select("start_us", "end_us", "line").rows()


def test_neighbours_that_look_the_same_are_one():
    drawn = overview(tiles([("press", 0, 10, "good"), ("press", 10, 20, "good"), ("pack", 0, 20, "good")]), 0, 20 * S)
    assert drawn.select("lane", "end_us", "pieces").rows() == [("pack", 20 * S, 1), ("press", 20 * S, 2)]


def test_a_shift_of_twenty_thousand_intervals_becomes_at_most_three_thousand():
    many = tiles([row for lane in ("a", "b", "c", "d") for row in rhythm(lane, 8.0 if lane == "a" else 12.0)])
    assert many.height > 20_000
    drawn = overview(many, 0, SHIFT_US)
    assert drawn.height <= 3000
    assert drawn["pieces"].sum() == many.height


def test_every_short_stop_is_drawn_as_it_was():
    stops = {100: 7.0, 500: 25.0, 501: 3.0, 2000: 59.0}
    many = tiles([row for lane in ("a", "b", "c", "d") for row in rhythm(lane, stops=stops)])
    drawn = overview(many, 0, SHIFT_US).filter(pl.col("line") == "micro_stop")
    assert (
        drawn.sort("lane", "start_us")
        .select("lane", "start_us", "end_us")
        .equals(
            many.filter(pl.col("line") == "micro_stop").sort("lane", "start_us").select("lane", "start_us", "end_us")
        )
    )


def test_what_is_drawn_together_says_how_much_of_it_is_so():
    drawn = overview(tiles([row for lane in ("a", "b", "c", "d") for row in rhythm(lane)]), 0, SHIFT_US)
    assert drawn["line"].unique().to_list() == ["good"]
    assert abs(float(drawn["share"].mean()) - 0.8) < 0.01


def test_clipping_cuts_at_the_window_and_leaves_the_cells_own_lane_out():
    rows = tiles(
        [("*", 0, 100, "good"), ("press", 0, 100, "good"), ("press", 50, 50, "fast_cycle"), ("pack", 90, 95, "good")]
    )
    assert clip(rows, 20 * S, 80 * S).select("lane", "start_us", "end_us").rows() == [("press", 20 * S, 80 * S)]
