"""How long cycles take: which of them count, against which plan, and what changed."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest

from analytics.pace import judge, local_level
from analytics.pace_changes import pace_changes
from analytics.studies.cycle_times.distribution import CLASSES, histogram, two_modes
from analytics.studies.cycle_times.study import cycle_times
from analytics.studies.cycle_times.tables import period_figures, periods
from analytics.undisturbed import WAITS, Told, told
from tests import logs

SECOND = 1_000_000
HOUR = 3600 * SECOND


def worked(net_s: np.ndarray, product: str = "dish", lane: str = "press") -> pl.DataFrame:
    """Undisturbed cycles of these lengths, a second between them, judged."""
    net = (net_s * SECOND).round().astype("int64")
    starts = np.concatenate([[0], np.cumsum(net + SECOND)[:-1]])
    rows = pl.DataFrame({"start_us": starts, "end_us": starts + net, "began_us": starts, "net_us": net})
    rows = rows.with_columns(
        station=pl.lit(lane), lane=pl.lit(lane), step=pl.lit(None, pl.String), product=pl.lit(product)
    )
    return judge(local_level(rows))


# --- which cycles count -----------------------------------------------------------------------------------------------


def rows(*spans: tuple[float, float], lane: str = "press") -> pl.DataFrame:
    starts, ends = ([round(span[n] * SECOND) for span in spans] for n in (0, 1))
    return pl.DataFrame({"lane": lane, "start_us": starts, "end_us": ends})


def tiles(*spans: tuple[float, float, str], column: str = "line") -> pl.DataFrame:
    return rows(*((a, b) for a, b, _ in spans)).with_columns(pl.Series(column, [what for *_, what in spans]))


def told_of(lines: pl.DataFrame, plan: pl.DataFrame) -> Told:
    since = lines.group_by("lane").agg(since_us=pl.col("start_us").min())
    return told(lines.filter(pl.col("line") != "run").with_columns(waits=pl.col("line").is_in(WAITS)), since, plan)


def test_cycles_around_an_alarm_a_break_or_silence_are_disturbed_and_logged_waits_are_not_work():
    lines = tiles((0, 10, "run"), (10, 14, "starved"), (14, 20, "run"), (20, 25, "micro_stop"), (25, 40, "run"),
                 (40, 50, "no_data"), (50, 90, "run"))  # fmt: skip
    plan = tiles((0, 70, "busy"), (70, 80, "break"), (80, 90, "busy"), column="plan")
    found = told_of(lines, plan).on(rows((2, 8), (8, 16), (18, 30), (35, 55), (60, 75), (71, 79), (81, 90)))
    assert found["disturbed"].to_list() == [False, False, True, True, True, False, False]
    assert found["net_us"].to_list() == [s * SECOND for s in (6, 4, 12, 20, 15, 8, 9)]


def test_a_lane_of_which_nothing_is_told_is_not_disturbed():
    busy = tiles((0, 9, "busy"), column="plan")
    found = told_of(tiles((0, 10, "micro_stop")), busy).on(rows((0, 5), lane="other"))
    assert found.select("net_us", "disturbed").row(0) == (5 * SECOND, False)


def shift_log(lengths: list[float], product: str = "dish", start: int = 6) -> str:
    """A press that begins a cycle every 20 s from 06:00 on."""
    lines = []
    for n, length in enumerate(lengths):
        clock = f"{start + 20 * n // 3600:02d}:{20 * n // 60 % 60:02d}"
        begin = 20 * n % 60
        lines.append(f"{clock}:{begin:02d} press starts {product}{n} product={product}")
        lines.append(f"{clock}:{begin + length:06.3f} press ends {product}{n} product={product}")
    return "\n".join(lines)


def test_the_account_of_a_shift_tells_typical_best_and_gap_to_plan(tmp_path):
    """200 cycles of 10.5 s where 10 s are planned, one around an alarm of 4 s, one of 15 s without any."""
    lengths = [10.5] * 200
    lengths[50], lengths[120] = 16, 15
    text = shift_log(lengths) + "\n06:16:45 press alarm A1\n06:16:49 press clear A1"
    study = cycle_times(logs.book(tmp_path, logs.log(text)), "a1", logs.shift())
    (row,) = study.tables["net_times"].rows(named=True)
    assert (row["lane"], row["product"], row["cycles_n"], row["disturbed_n"]) == ("press", "dish", 199, 1)
    assert row["p50_us"] == row["mode_us"] == row["best_us"] == 10.5 * SECOND
    assert (row["planned_us"], row["gap_us"], row["over_plan_share"]) == (10 * SECOND, -0.5 * SECOND, 1.0)
    (split,) = study.tables["beyond_plan"].rows(named=True)
    assert (split["slow_us"], split["short_us"], split["down_us"]) == (104 * SECOND, 0, 0)  # 198 x 0.5 s and 5 s
    (period,) = study.tables["periods"].rows(named=True)
    # 199 periods between 200 departures, one of them around the alarm.
    assert (period["periods_n"], period["p50_us"], period["takt_us"]) == (198, 20 * SECOND, 10 * SECOND)
    assert period["over_takt_share"] == 1.0
    assert study.findings[0] == "No lasting change of any cycle time in this period."
    assert "0.50 s over the planned 10.0 s" in study.findings[1]
    assert any("1 cycle or step around an alarm" in d for d in study.doubts)
    assert any("No cycles are logged here for pack" in d for d in study.doubts)


def test_periods_of_a_station_run_from_departure_to_departure_of_whatever_nest():
    cycles = pl.concat([rows((0, 10), (12, 22), lane="press.1"), rows((5, 15), (17, 27), lane="press.2")])
    cycles = cycles.with_columns(station=pl.lit("press"), product=pl.lit("dish"), paired=pl.lit("both"))
    found = periods(cycles)
    assert ((found["end_us"] - found["start_us"]) / SECOND).to_list() == [5, 7, 5]
    assert found["lane"].to_list() == ["press.2", "press.1", "press.2"]
    takts = pl.DataFrame({"product": ["dish"], "takt_us": [6 * SECOND]})
    assert period_figures(found, takts)["over_takt_share"].to_list() == [pytest.approx(1 / 3)]


# --- what changed -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("seed", range(6))
def test_a_drift_of_cycle_times_is_told_with_its_date_and_size(seed):
    """From cycle 700 on 17 s cycles take 0.6 s more, with stops strewn in; the interval covers it."""
    rng = np.random.default_rng(seed)
    net = 17 + rng.normal(0, 0.3, 1500) + np.where(rng.uniform(size=1500) < 0.02, 9.0, 0)
    net[700:] += 0.6
    work = worked(net)
    (change,) = pace_changes(work).rows(named=True)
    assert abs(int(np.searchsorted(work["began_us"].to_numpy(), change["at_us"])) - 700) <= 10
    assert change["low_us"] < 0.65 * SECOND
    assert change["high_us"] > 0.55 * SECOND
    assert change["low_us"] > 0.4 * SECOND


def test_a_change_of_product_is_no_change_of_pace():
    rng = np.random.default_rng(1)
    first, second = worked(17 + rng.normal(0, 0.3, 600)), worked(21 + rng.normal(0, 0.3, 600), product="lid")
    late = pl.col("start_us", "end_us", "began_us") + 4 * HOUR
    assert pace_changes(pl.concat([first, second.with_columns(late)])).is_empty()


def test_the_first_finding_is_the_largest_lasting_change(tmp_path):
    rng = np.random.default_rng(3)
    lengths = np.concatenate([rng.normal(10, 0.1, 300), rng.normal(11.2, 0.1, 300)]).round(3)
    study = cycle_times(logs.book(tmp_path, logs.log(shift_log(list(lengths)))), "a1", logs.shift())
    assert study.findings[0].startswith("press cycles grew by 1.2")
    assert "on Tue 20 Oct 07:40" in study.findings[0]
    assert study.cautions, "a table of cycle times touches speed"


# --- how lengths lie --------------------------------------------------------------------------------------------------


def test_a_histogram_has_bounded_classes_of_a_round_width_and_loses_no_cycle():
    rng = np.random.default_rng(2)
    work = pl.concat([worked(np.append(17 + rng.exponential(2, 5000), 900.0)), worked(np.full(50, 3.0), product="lid")])
    found = histogram(work)
    dish, lid = (found.filter(pl.col("product") == p) for p in ("dish", "lid"))
    assert found["cycles_n"].sum() == work.height
    assert dish.height <= CLASSES + 1
    assert lid["cycles_n"].to_list() == [50]
    (width,) = (dish["to_us"] - dish["from_us"]).drop_nulls().unique().to_list()
    assert width == 500_000
    last = dish.row(-1, named=True)
    assert last["to_us"] is None
    assert dish["from_us"].is_unique().all()


def test_two_nests_of_unlike_pace_under_one_name_show_as_two_modes_and_one_pace_does_not():
    rng = np.random.default_rng(8)
    one = 17 + rng.normal(0, 0.3, 600)
    two = np.where(np.arange(600) % 2, 17, 19) + rng.normal(0, 0.3, 600)
    found = two_modes(pl.concat([worked(one, product="one"), worked(two, product="two")]))
    assert found.select("product", "two").rows() == [("two", True), ("one", False)]
    row = found.row(0, named=True)
    assert row["low_us"] / SECOND == pytest.approx(17, abs=0.2)
    assert row["high_us"] / SECOND == pytest.approx(19, abs=0.2)
    assert row["high_share"] == pytest.approx(0.5, abs=0.03)


# --- little and odd input ---------------------------------------------------------------------------------------------


def test_products_that_the_model_does_not_know_are_a_group_and_told(tmp_path):
    text = shift_log([10.0] * 20) + "\n" + shift_log([12.0] * 20, product="ghost", start=8)
    study = cycle_times(logs.book(tmp_path, logs.log(text)), "a1", logs.shift())
    net = study.tables["net_times"].sort("product")
    assert net.select("product", "cycles_n", "planned_us").rows() == [("dish", 20, 10 * SECOND), ("ghost", 20, None)]
    assert any("20 cycles of a product unknown to the model" in d for d in study.doubts)
    assert any("No planned cycle for 20 cycles of press" in d for d in study.doubts)


def test_a_product_that_no_record_names_is_called_unknown(tmp_path):
    text = "\n".join(line.rsplit(" ", 1)[0] for line in shift_log([10.0] * 6).splitlines())
    study = cycle_times(logs.book(tmp_path, logs.log(text)), "a1", logs.shift())
    assert study.tables["net_times"]["product"].to_list() == ["unknown"]


@pytest.mark.parametrize(
    "text",
    ["06:00:00 press starts P1", "06:00:00 press state running\n07:00:00 press state blocked",
     "06:00:00 press alarm A1"],
    ids=["one event", "states only", "an alarm only"],
)  # fmt: skip
def test_without_a_whole_cycle_the_refusal_is_stated(tmp_path, text):
    study = cycle_times(logs.book(tmp_path, logs.log(text)), "a1", logs.shift())
    assert study.findings == ["No undisturbed cycle in this period."]
    assert any("No cycles are logged here for" in d for d in study.doubts)
    assert study.tables["net_times"].is_empty()


def test_one_cycle_gives_its_length_and_no_scatter(tmp_path):
    text = "06:00:00 press starts P1 product=dish\n06:00:11 press ends P1 product=dish"
    study = cycle_times(logs.book(tmp_path, logs.log(text)), "a1", logs.shift())
    (row,) = study.tables["net_quantiles"].rows(named=True)
    assert row["min_us"] == row["p99_us"] == 11 * SECOND
    assert row["cv"] is None


def test_the_order_of_records_changes_no_table(tmp_path):
    rng = np.random.default_rng(6)
    events = logs.log(shift_log(list(rng.normal(11, 0.5, 200).round(3))))
    mixed = events.sample(fraction=1, shuffle=True, seed=2)
    first, again = (
        cycle_times(logs.book(tmp_path / name, frame), "a1", logs.shift()).tables
        for name, frame in (("as it was", events), ("mixed", mixed))
    )
    assert first["net_times"].height == 1
    assert all(first[name].equals(again[name]) for name in first)
