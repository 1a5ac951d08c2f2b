"""What returns at once is a stop, what stays is slow running."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest

from analytics.pace import FEW, RUN, WINDOW, judge, local_level

SECOND = 1_000_000


def cycles(*lengths_s: float, lane: str = "press", product: str | None = "dish", at_s: float = 0) -> pl.DataFrame:
    """Cycles of these lengths, a second between them."""
    lengths = np.array(lengths_s)
    starts_us = ((at_s + np.concatenate([[0], np.cumsum(lengths + 1)[:-1]])) * SECOND).astype("int64")
    return pl.DataFrame(
        {
            "lane": [lane] * len(lengths),
            "product": pl.Series([product] * len(lengths), dtype=pl.String),
            "start_us": starts_us,
            "end_us": starts_us + (lengths * SECOND).round().astype("int64"),
        }
    )


def test_a_long_cycle_among_usual_ones_is_a_stop_and_does_not_move_the_level():
    found = judge(local_level(cycles(*[10.0] * 20, 18.0, *[10.0] * 20)))
    assert found["level_us"].unique().to_list() == [10.0 * SECOND]
    assert found["pace"].to_list() == ["usual"] * 20 + ["stop"] + ["usual"] * 20
    assert found["stop_us"].to_list() == [None] * 20 + [8 * SECOND] + [None] * 20


def test_cycles_that_stay_longer_are_slow_running_and_the_level_turns_at_their_edges():
    found = judge(local_level(cycles(*[10.0] * 40, *[10.8] * 40, *[10.0] * 40)))
    assert found["level_us"].to_list() == [s * SECOND for s in [10.0] * 40 + [10.8] * 40 + [10.0] * 40]
    assert set(found["pace"]) == {"usual"}


@pytest.mark.parametrize(("length", "pace"), [(RUN - 1, "stop"), (RUN, "slow"), (WINDOW // 2, "slow")])
def test_a_few_long_cycles_in_a_row_are_stops_and_more_are_slow_running(length, pace):
    found = judge(local_level(cycles(*[10.0] * 40, *[12.0] * length, *[10.0] * 40)))
    assert found["pace"].to_list() == ["usual"] * 40 + [pace] * length + ["usual"] * 40


def test_a_lane_that_slows_down_is_slow_though_each_product_has_only_few_such_cycles():
    """Three products take turns; twelve cycles before the order ends the lane slows down, four of each product."""
    sizes = ["s", "m", "l"]
    frame = cycles(*[17.0] * 60, *[19.0] * 12).with_columns(product=pl.Series([sizes[n % 3] for n in range(72)]))
    found = judge(local_level(frame))
    assert found["pace"].to_list() == ["usual"] * 60 + ["slow"] * 12


def test_each_product_has_its_own_level_and_an_unknown_one_is_a_group_too():
    frame = pl.concat([
        cycles(*[10.0] * 20),
        cycles(*[20.0] * 20, product="lid", at_s=1000),
        cycles(*[5.0] * 20, product=None, at_s=2000),
    ])  # fmt: skip
    assert local_level(frame)["level_us"].to_list() == [s * SECOND for s in [10.0] * 20 + [20.0] * 20 + [5.0] * 20]


def test_a_product_with_too_few_cycles_borrows_the_level_of_its_lane():
    frame = pl.concat([
        cycles(*[10.0] * 20),
        cycles(*[30.0] * (FEW - 1), product="sample", at_s=1000),
        cycles(*[10.0] * 20, at_s=2000),
    ])  # fmt: skip
    found = judge(local_level(frame))
    assert found["level_us"].unique().to_list() == [10.0 * SECOND]
    assert found["pace"].to_list() == ["usual"] * 20 + ["stop"] * (FEW - 1) + ["usual"] * 20


def test_usual_scatter_gives_no_stop_in_ten_thousand_cycles():
    rng = np.random.default_rng(7)
    found = judge(local_level(cycles(*rng.normal(17.0, 0.3, 10_000))))
    assert found.filter(pl.col("pace") != "usual").is_empty()
    assert found["spread_us"][0] == pytest.approx(0.3 * SECOND, rel=0.08)  # its own lengths pull the level a little


def test_the_order_of_rows_changes_nothing():
    rng = np.random.default_rng(11)
    dish, lid = rng.lognormal(2, 0.1, 300), rng.lognormal(2, 0.1, 200)
    frame = pl.concat([cycles(*dish), cycles(*lid, product="lid", at_s=9e3)])
    mixed = frame.sample(fraction=1, shuffle=True, seed=5)
    first, again = (judge(local_level(f)).sort("start_us", "end_us") for f in (frame, mixed))
    assert first.equals(again)


def test_steps_of_a_robot_have_levels_of_their_own_and_no_cycles_give_no_rows():
    steps = pl.concat([
        cycles(*[3.0] * 20).with_columns(step=pl.lit("take")),
        cycles(*[6.0] * 20, at_s=500).with_columns(step=pl.lit("place")),
    ])  # fmt: skip
    assert local_level(steps)["level_us"].to_list() == [s * SECOND for s in [3.0] * 20 + [6.0] * 20]
    assert judge(local_level(steps.head(0))).is_empty()
