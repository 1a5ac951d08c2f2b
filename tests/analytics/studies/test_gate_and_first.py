"""Who the cell waited for, and what to do first, on small lines whose losses are known."""

from __future__ import annotations

import polars as pl
import pytest

from analytics.studies.first import first
from analytics.studies.gate import gate
from tests.analytics.gating.test_chain import LINE, clock, line_log
from tests.logs import book, cell, log, shift

STOPPED = line_log([10.0] * 20 + [110.0] + [10.0] * 10 + [24.0] + [10.0] * 20)
STOPPED += f"\n{clock(203)} press alarm A1\n{clock(303)} press clear A1"
WINDOW = shift("06:00:00", "06:10:00")


def opened(tmp_path, text: str, **model):
    return book(tmp_path, log(text), None, cell(**(LINE | model)))


def test_the_shares_of_the_gate_are_all_of_planned_busy_time(tmp_path):
    study = gate(opened(tmp_path, STOPPED), "a1", WINDOW)
    shares = study.tables["stations"]
    assert shares["gate_share"].sum() == pytest.approx(1)
    assert shares["station"][0] == "press"
    assert shares["us"].sum() == (WINDOW.to_us - WINDOW.from_us)
    assert "press" in study.findings[0]
    quarters = study.tables["quarters"]
    assert quarters["gate"].to_list() == ["press"]


def test_work_along_the_chain_is_held_against_the_takt(tmp_path):
    study = gate(opened(tmp_path, line_log([10.0] * 60)), "a1", shift("06:01:00", "06:09:00"))
    gap = study.tables["plan_gap"].row(0, named=True)
    assert gap["work_us"] == 480_000_000
    assert gap["parts_n"] == 48
    assert gap["gap_us"] == 0


def test_a_log_of_states_says_that_it_has_no_graph(tmp_path):
    text = "06:00:00 press state running\n06:05:00 press state stopped\n06:08:00 press state running"
    study = gate(opened(tmp_path, text), "a1", WINDOW)
    assert any("from states only" in doubt for doubt in study.doubts)


def test_an_opportunity_is_what_the_chain_charged_in_parts_and_leads_to_its_log_lines(tmp_path):
    study = first(opened(tmp_path, STOPPED), "a1", WINDOW)
    rows = study.tables["opportunities"].rows(named=True)
    assert [(r["what"], r["station"], r["cause"], r["charged_us"]) for r in rows] == [
        ("fix the cause", "press", "door open", 100_000_000),
        ("end the short stops", "press", "cycle hangs, no alarm", 14_000_000),
    ]
    assert rows[0]["parts_per_shift"] == pytest.approx(10)
    assert rows[0]["low"] < 10 < rows[0]["high"]
    evidence = study.tables["evidence"].filter(pl.col("rank") == 1).row(0, named=True)
    assert (evidence["log_file"], evidence["us"]) == ("plc.log", 100_000_000)
    assert evidence["log_line"] is not None


def test_nothing_is_counted_twice(tmp_path):
    study = first(opened(tmp_path, STOPPED), "a1", WINDOW)
    listed = study.tables["opportunities"].filter(pl.col("what") != "make it good")["charged_us"].sum()
    assert listed + study.tables["left_out"]["us"].sum() == WINDOW.to_us - WINDOW.from_us


def test_a_safety_stop_is_no_opportunity(tmp_path):
    text = line_log([10.0] * 20 + [110.0] + [10.0] * 20) + f"\n{clock(203)} press alarm E1\n{clock(303)} press clear E1"
    study = first(opened(tmp_path, text), "a1", WINDOW)
    assert study.tables["opportunities"].filter(pl.col("charged_us") >= 100_000_000).is_empty()
    assert dict(study.tables["left_out"].select("line", "us").rows())["safety_stop"] == 100_000_000
    assert any("protect people" in caution for caution in study.cautions)


def test_of_changeovers_only_what_they_took_beyond_the_shortest_can_be_won(tmp_path):
    parts = [line_log([10.0] * 12, first=n * 400) for n in range(3)]
    text = "\n".join(
        part.replace(" P", f" {name}").replace("product=dish", f"product={product}")
        for part, name, product in zip(parts, "QRS", ("dish", "lid", "dish"), strict=True)
    )
    text += f"\n{clock(135)} * mode setup\n{clock(395)} * mode automatic"
    text += f"\n{clock(535)} * mode setup\n{clock(795)} * mode automatic\n{clock(0)} * mode automatic"
    products = [{"name": n, "takt_s": 10, "cycle_s": {"press": 10, "pack": 8}} for n in ("dish", "lid")]
    study = first(opened(tmp_path, text, products=products), "a1", shift("06:00:00", "06:16:00"))
    won = study.tables["opportunities"].filter(pl.col("what") == "cut the changeover")
    assert won["charged_us"].sum() <= 5_000_000  # both took 260 s
