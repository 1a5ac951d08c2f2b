"""Charts are pure functions: frames in, a valid chart out, on the plant's clock."""

from __future__ import annotations

import polars as pl
import pytest

from analytics.account import Window
from app.charts import Clock, clock, lane_chart, legend, plan_and_actual
from app.lanes import overview
from tests.app.test_lanes import S, tiles
from tests.logs import at, plant

LONG_NIGHT = Window("night", at("22:00", "2026-10-24"), at("06:00", "2026-10-25"))
SHORT_NIGHT = Window("night", at("22:00", "2026-03-28"), at("06:00", "2026-03-29"))
PLAIN = Window("early", at("06:00", "2026-10-20"), at("14:00", "2026-10-20"))


def quarters(window: Window) -> pl.DataFrame:
    return pl.DataFrame({"us": range(window.from_us, window.to_us, 900 * S)})


def label(at: Clock, x: float) -> str:
    """What the axis writes at a position, worked out as its label expression does."""
    moved = x + (at.shift_ms if at.change_ms is not None and x >= at.change_ms else 0)
    minutes = int(moved // 60_000) % 1440
    return f"{minutes // 60:02d}:{minutes % 60:02d}"


@pytest.mark.parametrize("window", [PLAIN, LONG_NIGHT, SHORT_NIGHT], ids=["plain", "25-hour day", "23-hour day"])
def test_the_axis_never_runs_backwards_and_shows_the_plants_time_of_day(window):
    axis = clock(plant(), window)
    rows = quarters(window).with_columns(axis.x("us"), axis.words_of("us", "words"))
    steps = rows["x"].diff().drop_nulls().unique().to_list()
    assert steps == [900_000.0]
    for us, x, words in rows.rows():
        assert label(axis, x) == f"{plant().local(us):%H:%M}" == words[:5]


def test_the_doubled_hour_is_labelled_with_both_offsets():
    axis = clock(plant(), LONG_NIGHT)
    words = quarters(LONG_NIGHT).select(axis.words_of("us", "words"))["words"].to_list()
    assert [w for w in words if w.startswith("02:15")] == ["02:15:00 +02:00", "02:15:00 +01:00"]
    expression = axis.axis().to_dict()["labelExpr"]
    assert "'+01:00' : '+02:00'" in expression
    assert f"time(datum.value) >= {axis.change_ms}" in expression


def test_a_day_without_a_change_is_labelled_without_offsets():
    assert clock(plant(), PLAIN).axis().to_dict()["labelExpr"] == "utcFormat(datum.value, '%H:%M')"


def output(rows: list[tuple[float, dict[str, float]]]) -> pl.DataFrame:
    """Seconds since the start -> parts by line."""
    return pl.DataFrame(
        [(PLAIN.from_us + round(s * S), line, parts) for s, lines in rows for line, parts in lines.items()],
        schema={"us": pl.Int64, "line": pl.String, "parts": pl.Float64},
        orient="row",
    )


NO_PAUSE = pl.DataFrame(schema={"start_us": pl.Int64, "end_us": pl.Int64, "cause": pl.String})


def data_of(chart: dict, columns: set[str]) -> list[dict]:
    """The one data set of a chart that has these columns."""
    (rows,) = [rows for rows in chart["datasets"].values() if rows and columns <= set(rows[0])]
    return rows


def test_the_gap_is_filled_from_good_to_planned_and_credits_lower_its_bottom():
    told = output(
        [(0, {"planned": 0, "good": 0, "breakdown": 0, "plan_gap": 0}),
         (3600, {"planned": 60, "good": 50, "breakdown": 14, "plan_gap": -4})]
    )  # fmt: skip
    chart = plan_and_actual(told, NO_PAUSE, clock(plant(), PLAIN), "parts", ["plan_gap", "breakdown"]).to_dict()
    rows = [
        r
        for r in data_of(chart, {"low", "high", "title"})
        if r["x"] == max(r["x"] for r in data_of(chart, {"low", "high"}))
    ]
    assert {r["title"]: (r["low"], r["high"]) for r in rows} == {"plan gap": (46, 46), "breakdown": (46, 60)}
    words = [r["words"] for layer in chart["datasets"].values() for r in layer if "words" in r]
    assert sorted(words) == ["good 50", "planned 60 parts"]


def test_planned_stops_are_shaded():
    told = output([(0, {"planned": 0, "good": 0}), (3600, {"planned": 60, "good": 60})])
    pause = pl.DataFrame(
        {"start_us": [PLAIN.from_us + 60 * S], "end_us": [PLAIN.from_us + 120 * S], "cause": ["break"]}
    )
    chart = plan_and_actual(told, pause, clock(plant(), PLAIN), "parts", []).to_dict()
    assert [r["cause"] for r in data_of(chart, {"cause"})] == ["break"]


def test_a_shift_without_output_is_drawn_as_well():
    chart = plan_and_actual(output([(0, {"planned": 0.0})]), NO_PAUSE, clock(plant(), PLAIN), "parts", []).to_dict()
    assert "good 0" in [r["words"] for layer in chart["datasets"].values() for r in layer if "words" in r]


def lanes_drawn(rows: list[tuple[str, float, float, str]], **plan: str) -> dict:
    start = PLAIN.from_us / S
    drawn = overview(
        tiles([(lane, start + a, start + b, line) for lane, a, b, line in rows], **plan), PLAIN.from_us, PLAIN.to_us
    )
    return lane_chart(drawn, ["press", "it's"], clock(plant(), PLAIN), {}).to_dict()


def test_lanes_stand_in_the_given_order_and_stops_fill_theirs():
    rows = data_of(
        lanes_drawn([("press", 0, 60, "good"), ("press", 60, 900, "breakdown"), ("it's", 0, 900, "starved")]), {"low"}
    )
    assert {(r["lane"], r["title"]): round(r["low"] - r["high"], 2) for r in rows} == {
        ("press", "good"): 0.52,
        ("press", "breakdown"): 0.92,
        ("it's", "starved"): 0.4,
    }
    assert {r["lane"]: int((r["low"] + r["high"]) / 2) for r in rows} == {"press": 0, "it's": 1}


def test_wide_stops_carry_their_mark_and_what_is_not_known_is_an_empty_frame():
    chart = lanes_drawn(
        [("press", 0, 900, "breakdown"), ("press", 900, 910, "micro_stop"), ("press", 910, 4000, "no_data")]
    )
    assert sorted(r["mark"] for r in data_of(chart, {"mark"})) == ["?", "B"]
    frame = next(r for r in data_of(chart, {"low"}) if r["title"] == "no data")
    assert (frame["fill"], frame["stroke"]) == ("#ffffff", "#6f6f6f")


def test_planned_stops_look_alike_whatever_the_lane_did():
    rows = data_of(lanes_drawn([("press", 0, 900, "breakdown")], plan="planned_stop"), {"low"})
    assert [r["title"] for r in rows] == ["planned stop or not planned"]


def test_the_legend_names_only_what_is_drawn():
    drawn = tiles([("press", 0, 60, "good"), ("press", 60, 900, "breakdown")])
    words = legend(drawn)
    assert "breakdown <b>B</b>" in words
    assert "starved" not in words
