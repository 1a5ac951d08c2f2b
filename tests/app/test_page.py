"""The shift page, run without a browser."""

from __future__ import annotations

from pathlib import Path

import pytest
from streamlit.testing.v1 import AppTest

from analytics.book import open_plant
from analytics.stops import stops
from analytics.windows import last_shift
from app.cli import main
from tests.app.running import add_broken_cell, run, selected, words
from tests.app.small import DAY, write_small_plant

MAIN = str(Path(__file__).parents[2] / "app" / "main.py")


def page(monkeypatch: pytest.MonkeyPatch, folder: Path, **address: str) -> AppTest:
    return run(AppTest.from_file(MAIN, default_timeout=60), monkeypatch, folder, address)


def test_the_page_shows_the_last_shift_and_says_so_in_the_address(monkeypatch, loaded):
    test = page(monkeypatch, loaded)
    assert selected(test) == {"cell": "cell1", "day": DAY, "shift": "early"}
    text = words(test)
    for told in (
        "Cell cell1 · Tuesday 20 October 2026 · early shift 06:00–14:00 Europe/Berlin",
        "door not locked",
        "OEE",
    ):
        assert told in text


def test_another_shift_goes_to_the_address(monkeypatch, loaded):
    test = page(monkeypatch, loaded)
    test.selectbox[2].select("late").run()
    assert not test.exception
    assert selected(test)["shift"] == "late"
    assert "late shift 14:00–22:00" in words(test)


def test_a_link_restores_what_it_shows(monkeypatch, loaded):
    test = page(monkeypatch, loaded, cell="cell1", day=DAY, shift="early", line="breakdown", convention="tpm")
    text = words(test)
    assert test.radio[0].value == "tpm"
    assert "own stop at or above the micro-stop limit" in text
    assert len(test.dataframe) == 1
    assert test.dataframe[0].value["seconds"].to_list() == [600.0]


def test_a_line_opens_into_its_stops_and_closes_again(monkeypatch, loaded):
    test = page(monkeypatch, loaded)
    assert len(test.dataframe) == 0
    test.button(key="open-micro_stop").click().run()
    assert selected(test)["line"] == "micro_stop"
    assert test.dataframe[0].value["from"].to_list() == ["09:30:00"]
    test.button(key="open-micro_stop").click().run()
    assert "line" not in selected(test)
    assert len(test.dataframe) == 0


def test_a_stop_opens_into_its_log_lines(monkeypatch, loaded):
    closed = page(monkeypatch, loaded, line="breakdown")
    assert "press alarm on A1" not in words(closed)
    plant = open_plant(loaded)
    start = stops(plant, "cell1", last_shift(plant, "cell1")[1], line="breakdown")["start_us"][0]
    text = words(page(monkeypatch, loaded, line="breakdown", stop=f"press@{start}"))
    assert "press alarm on A1" in text
    assert "press alarm off A1" in text


def test_a_line_without_stops_opens_into_its_longest_pieces(monkeypatch, loaded):
    test = page(monkeypatch, loaded, line="rejects")
    assert any("rejects" in e.value for e in test.info)  # that is its title; its name is reject
    test = page(monkeypatch, loaded, line="starved")
    seconds = test.dataframe[0].value["seconds"].to_list()
    assert sum(seconds) > 10  # before the first part and after the last: between, the way of a part is no wait
    assert set(test.dataframe[0].value["station"]) == {"press"}


def test_a_log_that_was_moved_away_is_told_where_its_lines_would_be(monkeypatch, own):
    (own / "inbox" / "example" / f"{DAY}.log").rename(own / "elsewhere.log")
    plant = open_plant(own)
    start = stops(plant, "cell1", last_shift(plant, "cell1")[1], line="breakdown")["start_us"][0]
    test = page(monkeypatch, own, line="breakdown", stop=f"press@{start}")
    assert any("no longer where it was loaded from" in e.value for e in test.code)


def test_a_safety_stop_opens_with_a_caution(monkeypatch, loaded):
    assert "lock-out procedure and risk assessment" in words(page(monkeypatch, loaded, line="safety_stop"))


def test_an_hour_can_be_looked_at_closely(monkeypatch, loaded):
    test = page(monkeypatch, loaded)
    test.selectbox[3].select(f"{DAY}T10:00+02:00").run()
    assert not test.exception
    assert selected(test)["hour"] == f"{DAY}T10:00+02:00"


def test_an_unknown_value_in_the_address_gives_a_message_and_the_last_shift(monkeypatch, loaded):
    test = page(monkeypatch, loaded, shift="nihgt", day="2019-01-01")
    assert len(test.info) == 2
    assert selected(test) == {"cell": "cell1", "day": DAY, "shift": "early"}


def test_a_shift_without_logs_says_that_hardly_anything_is_known(monkeypatch, loaded):
    text = words(page(monkeypatch, loaded, shift="late"))
    assert "known 0.4 %" in text  # the two minutes until silence counts


def test_an_empty_plant_says_how_to_load(monkeypatch, tmp_path):
    test = page(monkeypatch, write_small_plant(tmp_path / "p", logs=False))
    assert "taktbook ingest" in test.code[0].value


def test_a_broken_plant_file_is_explained(monkeypatch, own):
    (own / "plant.toml").write_text('name = "x"\nzone = "Europe/Berlim"\n', encoding="utf-8")
    test = page(monkeypatch, own)
    assert "did you mean 'Europe/Berlin'" in test.code[0].value


def test_a_folder_that_is_no_plant_is_explained(monkeypatch, tmp_path):
    test = page(monkeypatch, tmp_path)
    assert "plant.toml: There is no such file" in test.code[0].value


def test_a_plant_with_one_event_is_shown(monkeypatch, tmp_path):
    folder = write_small_plant(tmp_path / "p", logs=False)
    (folder / "inbox" / "example" / "one.log").write_text(f"{DAY} 06:00:00,000 #1 alive\n", encoding="utf-8")
    assert main(["ingest", "--plant", str(folder)]) == 0
    assert "Cell cell1" in words(page(monkeypatch, folder))


def test_a_day_without_a_shift_says_so(monkeypatch, own):
    text = (own / "plant.toml").read_text(encoding="utf-8")
    off = "".join(f'\n[[exceptions]]\ndate = {DAY}\nshift = "{s}"\noff = true\n' for s in ("early", "late"))
    (own / "plant.toml").write_text(text + off, encoding="utf-8")
    test = page(monkeypatch, own, day=DAY)
    told = [e.value for e in [*test.info, *test.code]]
    assert any("no shift" in text for text in told)


def test_a_broken_cell_file_does_not_take_the_other_cells(monkeypatch, own):
    add_broken_cell(own)
    assert "Tuesday 20 October 2026" in words(page(monkeypatch, own, cell="cell1"))


def test_where_the_file_of_a_cell_is_broken_another_can_be_chosen(monkeypatch, own):
    add_broken_cell(own)
    (own / "cells" / "cell1.toml").write_text("name = 3\n", encoding="utf-8")
    test = page(monkeypatch, own, cell="cell1")
    assert "cells/cell1.toml" in words(test)
    assert test.selectbox[0].label == "Cell"
