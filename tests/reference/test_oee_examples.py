"""Published OEE examples, each written as the log of a shift and taken through the whole account."""

from __future__ import annotations

import pytest

from analytics.kpis import Elements, allocation_ratio, combined, figures, production_process_ratio
from tests.reference.machine import kpi, machine_shift, minutes
from tests.reference.values import CHECKS, Check


def test_wikipedia_shift(tmp_path):
    """Wikipedia, article 'Overall equipment effectiveness' (from memory, recomputed): 480 min, 30 break, 60 down."""
    c = Check("oee_wikipedia_shift")
    run_min = c.shift_min - c.break_min - c.unscheduled_down_min
    a = machine_shift(
        tmp_path,
        shift_min=c.shift_min,
        break_min=c.break_min,
        stops={"stopped": c.unscheduled_down_min},
        ideal_min=c.ideal_min_per_unit,
        actual_min=run_min / c.total_units,
        parts=c.total_units,
        rejects=c.defective_units,
    )
    assert c.agrees("loading_min", a.planned_busy_us / 60e6)
    assert c.agrees("operating_min", a.planned_busy_us / 60e6 - minutes(a, "breakdown"))
    assert c.agrees("good_units", a.parts.good)
    assert c.agrees("availability", kpi(a, "availability"))
    assert c.agrees("performance", kpi(a, "effectiveness"))
    assert c.agrees("quality", kpi(a, "quality_ratio"))
    assert c.agrees("oee", kpi(a, "oee"))
    assert c.agrees("oee_from_good_units", a.parts.good * c.ideal_min_per_unit / (a.planned_busy_us / 60e6))


def test_tpm_textbook_day(tmp_path):
    """Willmott & McCarthy, TPM: A Route to World-Class Performance (2001), p. 127: changeover counts as downtime."""
    c = Check("oee_tpm_textbook_day")
    run_min = c.planned_availability_min - c.unplanned_stop_min - c.changeover_min
    a = machine_shift(
        tmp_path,
        shift_min=c.planned_availability_min,
        stops={"stopped": c.unplanned_stop_min, "setup": c.changeover_min},
        ideal_min=c.standard_cycle_min,
        actual_min=run_min / c.completed_cycles,
        parts=c.completed_cycles,
    )
    assert c.agrees("downtime_min", minutes(a, "breakdown", "changeover"))
    assert c.agrees("availability", kpi(a, "availability"))
    assert c.agrees("performance", kpi(a, "effectiveness"))


def test_nakajima_six_losses(tmp_path):
    """Nakajima, Introduction to TPM (1988), from memory: 80 min of minor stops and 120 min of reduced speed."""
    c = Check("oee_nakajima")
    idle = c.loading_min - c.downtime_min - c.output_units * c.actual_min
    a = machine_shift(
        tmp_path,
        shift_min=c.loading_min,
        stops={"stopped": c.downtime_min},
        short_stops=(160, idle / 160 - 1e-6 / 60),
        ideal_min=c.ideal_min,
        actual_min=c.actual_min,
        parts=c.output_units,
        rejects=round(c.output_units * (1 - c.quality_rate)),
    )
    assert minutes(a, "micro_stop", "unexplained", "starved") == pytest.approx(80, abs=1e-4)
    assert c.agrees("speed_loss_min", minutes(a, "slow_cycle"))
    assert kpi(a, "availability") == pytest.approx(CHECKS[c.name]["expected"]["availability"], abs=1e-6)
    assert kpi(a, "effectiveness") == pytest.approx(CHECKS[c.name]["expected"]["performance"], abs=1e-6)
    assert c.agrees("oee", kpi(a, "oee"))


@pytest.mark.parametrize("name", ["oee_valuable_time_80h", "oee_valuable_time_150h"])
def test_slack_valuable_operating_time(name):
    """Slack, Chambers & Johnston, Operations Management.

    Idling lowers performance there, speed the time left after it.
    """
    c = Check(name)
    hour = 3_600_000_000
    running = c.loading_h - c.changeover_h - c.breakdown_h - c.idle_h
    e = Elements(
        pbt=c.loading_h * hour,
        aust=c.changeover_h * hour,
        adet=(c.breakdown_h + c.idle_h) * hour,
        tpm_down=(c.changeover_h + c.breakdown_h) * hour,
        ideal=running * c.relative_speed * hour,
        ideal_good=running * c.relative_speed * (1 - c.defect_share) * hour,
    )
    got = {k.name: v for k, v in figures(e, "tpm")}
    assert c.agrees("availability", got["availability"])
    assert c.agrees("performance", got["effectiveness"])
    assert c.agrees("quality", got["quality_ratio"])
    assert c.agrees("oee", got["oee"])


def test_rate_form_equals_product_form():
    """Course exercise (inputs and formulas seen): both forms of OEE are equal to the last digit."""
    c = Check("oee_rate_form_identity")
    good = c.units_processed - c.defective_units
    e = Elements(
        pbt=c.total_h,
        tpm_down=c.down_h,
        ideal=c.units_processed / c.ideal_units_per_h,
        ideal_good=good / c.ideal_units_per_h,
    )
    got = {k.name: v for k, v in figures(e, "tpm")}
    assert c.agrees("oee", got["oee"])
    assert c.agrees("simple_oee", good / (c.ideal_units_per_h * c.total_h))
    assert c.agrees("availability", got["availability"])
    assert c.agrees("performance", got["effectiveness"])
    assert c.agrees("quality", got["quality_ratio"])


def test_week_exercise():
    """Course exercise 'The equipment effectiveness' (inputs seen): planned downtime stays inside the base there."""
    c = Check("oee_week_exercise")
    total = c.hours_per_shift * c.shifts_per_day * c.days * 60
    down = (c.production_down_min_per_day + c.maintenance_down_min_per_day) * c.days
    ideal = (1 - c.planned_down_share) * total / c.standard_units
    e = Elements(pbt=total, tpm_down=down, ideal=c.units * ideal, ideal_good=(c.units - c.nonconforming) * ideal)
    got = {k.name: v for k, v in figures(e, "tpm")}
    assert c.agrees("availability", got["availability"])
    assert c.agrees("performance", got["effectiveness"])
    assert c.agrees("quality", got["quality_ratio"])
    assert c.agrees("effectiveness", got["oee"])


def test_iso22400_station_day(tmp_path):
    """ISO 22400-2:2014 formulas on a station day: every figure and identity of the standard, from the log."""
    c = Check("iso22400_station_day")
    a = machine_shift(
        tmp_path, shift_min=c.POT, break_min=c.planned_down, convention="iso22400",
        stops={"no_order": c.ADOT, "stopped": c.ADET, "setup": c.AUST}, ideal_min=c.PRI,
        actual_min=360 / c.PQ, parts=c.PQ, rejects=c.SQ, rework=c.RQ,
    )  # fmt: skip
    e = a.elements
    for key, us in (("PBT", e.pbt), ("AUBT", e.aubt), ("AUPT", e.aupt), ("APT", e.apt)):
        assert us / 60e6 == pytest.approx(CHECKS[c.name]["expected"][key], abs=1e-6), key
    names = {
        "oee_index": "oee",
        "nee_index": "nee",
        "oee_from_good_quantity": "oee",
        "quality_ratio": "quality_ratio",
        "availability": "availability",
        "effectiveness": "effectiveness",
        "allocation_efficiency": "allocation_efficiency",
        "utilization_efficiency": "utilization_efficiency",
        "technical_efficiency": "technical_efficiency",
        "setup_ratio": "setup_ratio",
        "scrap_ratio": "scrap_ratio",
        "rework_ratio": "rework_ratio",
    }
    for theirs, ours in names.items():
        assert c.agrees(theirs, kpi(a, ours)), theirs
    assert c.agrees("quality_ratio", kpi(a, "quality_ratio_by_count"))
    assert c.agrees("quantity_balance", e.pq - e.gq - e.sq - e.rq)
    # TEEP relates to the calendar day, of which the shift is a third.
    assert c.agrees("teep", e.ideal_good / (c.calendar * 60e6))


def test_iso22400_order_figures():
    """ISO 22400-2:2014: order ratios add up the work units, so they may exceed 1."""
    c = Check("iso22400_order_kpis")
    units = [Elements(pbt=b, adet=b - p) for b, p in zip(c.AUBT, c.APT, strict=True)]
    assert c.agrees("allocation_ratio", allocation_ratio(units, c.AOET))
    assert c.agrees("production_process_ratio", production_process_ratio(units, c.AOET))
    rate = {k.name: v for k, v in figures(Elements(pbt=1, pq=c.PQ, aoet=c.AOET * 60e6), "iso22400")}["throughput_rate"]
    assert c.agrees("throughput_rate", rate / 60)


def test_fault_that_runs_into_a_break_is_counted_once(tmp_path):
    """Own case (computed): the part of a fault that lies in a planned break is no loss."""
    from analytics.account import Window, account
    from tests.logs import DAY, at, book, cell, log, plant

    c = Check("oee_overlap_break_and_fault")
    start = at("06:00:00")
    hands = [f"{6 + m // 60:02d}:{m % 60:02d}:00" for m in (*c.fault, *getattr(c, "break"))]
    events = log(f"""
        06:00:00 press state running
        {hands[0]} press state stopped
        {hands[1]} press state running
    """)
    early = {
        "name": "early",
        "start": "06:00",
        "end": "14:00",
        "breaks": [{"start": hands[2][:5], "end": hands[3][:5]}],
    }
    model = cell(outlet="press", stations=[{"name": "press", "kind": "machine"}],
                 products=[{"name": "dish", "takt_s": 10, "cycle_s": {"press": 10}}])  # fmt: skip
    window = Window(DAY, start, start + c.shift[1] * 60_000_000)
    (a,) = account(book(tmp_path, events, plant(shifts=[early]), model), "a1", window, station="press")
    assert c.agrees("planned_busy_min", a.planned_busy_us / 60e6)
    assert c.agrees("unplanned_down_min", minutes(a, "breakdown"))
    assert c.agrees("run_min", minutes(a, "good"))
    assert c.agrees("availability", kpi(a, "availability"))


def test_units_are_combined_by_sums_never_by_the_mean_of_ratios():
    """Own case (computed): the mean of OEE values would be 0.7435."""
    c = Check("oee_aggregate_by_sums")
    units = [
        Elements(pbt=p, adet=p - a, ideal=i * n, ideal_good=i * g, pq=n, gq=g)
        for p, a, i, n, g in zip(c.PBT, c.APT, c.ideal, c.total, c.good, strict=True)
    ]
    got = {k.name: v for k, v in figures(combined(units), "iso22400")}
    assert c.agrees("availability", got["availability"])
    assert c.agrees("performance", got["effectiveness"])
    assert c.agrees("quality_time_weighted", got["quality_ratio"])
    assert c.agrees("quality_by_count", got["quality_ratio_by_count"])
    assert c.agrees("oee", got["oee"])


def test_teep_and_e79_relate_good_work_to_the_calendar():
    """SEMI E79 (from memory): its OEE is theoretical time of effective units / total time; TEEP = loading x OEE."""
    c, t = Check("semi_e10_e79_week"), Check("teep_identity")
    week = Elements(
        pbt=c.PRD, ideal=c.units * c.ideal_h_per_unit, ideal_good=c.effective_units * c.ideal_h_per_unit, calendar=168
    )
    assert c.agrees("oee_from_theoretical_time", {k.name: v for k, v in figures(week, "iso22400")}["teep"])
    assert c.agrees("quality_efficiency", {k.name: v for k, v in figures(week, "iso22400")}["quality_ratio"])
    own = Elements(pbt=t.planned_h, ideal_good=t.oee * t.planned_h, calendar=t.calendar_h)
    assert t.agrees("teep", {k.name: v for k, v in figures(own, "iso22400")}["teep"])


def test_yield_measures():
    """Common practice (Harry & Schroeder 2000).

    Rework that passes later raises the quality ratio, not first pass yield.
    """
    c = Check("yield_measures")
    e = Elements(
        pbt=1,
        pq=c.started,
        gq=c.good_first,
        sq=c.scrap,
        rq=c.good_after_rework + c.scrap_after_rework,
        gp=c.good_first,
        ip=c.started,
    )
    got = {k.name: v for k, v in figures(e, "iso22400")}
    assert c.agrees("first_pass_yield", got["first_pass_yield"])
    assert c.agrees("scrap_ratio", got["scrap_ratio"])
    assert c.agrees("rework_ratio", got["rework_ratio"])
