"""The pages of analyses: they say what the command says, and draw it."""

from __future__ import annotations

import html
import json
from functools import cache
from pathlib import Path

import altair as alt
import polars as pl
import pytest
from streamlit.testing.v1 import AppTest

from analytics.account import Window
from analytics.study import Study
from app.cli import main
from app.commands.studies import STUDIES
from app.pictures import picture_of
from app.pictures.base import MOST_MARKS
from app.study_table import as_columns
from app.study_view import method_of
from tests.app.running import add_broken_cell, run, selected, words
from tests.app.small import DAY, write_small_plant
from tests.sample import CELLS, sample_plant

NAMES = [s.NAME for s in STUDIES]
PERIOD = {"from": "2026-10-20T06:00", "to": "2026-10-20T14:00"}


def script(name: str) -> None:
    from app.commands.studies import STUDIES
    from app.views.why import page

    page(next(s for s in STUDIES if name == s.NAME))


def page(monkeypatch: pytest.MonkeyPatch, folder: Path, name: str, **address: str) -> AppTest:
    return run(AppTest.from_function(script, kwargs={"name": name}, default_timeout=60), monkeypatch, folder, address)


@pytest.mark.parametrize("name", NAMES)
def test_a_page_says_what_the_command_says(monkeypatch, loaded, capsys, name):
    assert main([name, "--plant", str(loaded), "--from", PERIOD["from"], "--to", PERIOD["to"], "--format", "json"]) == 0
    told = json.loads(capsys.readouterr().out)
    text = html.unescape(words(page(monkeypatch, loaded, name, cell="cell1", **PERIOD))).replace("\\'", "'")
    for sentence in [*told["findings"], *told["doubts"], *told["cautions"]]:
        assert sentence in text or json.dumps(sentence, ensure_ascii=False)[1:-1] in text


@pytest.mark.parametrize(
    ("address", "said"),
    [
        ({"cell": "nobody"}, "nobody"),
        ({"day": "1999-01-01"}, "no events"),
        ({"week": "first"}, "this is not a week"),
        ({"from": "06:00", "to": "x"}, "this is not a time"),
        ({"station": "nowhere"}, "nowhere"),
        ({"day": DAY, "week": "2026-W43"}, "different periods"),
    ],
    ids=str,
)  # fmt: skip
def test_what_an_address_asks_for_and_is_not_here_is_told(monkeypatch, loaded, address, said):
    assert said in words(page(monkeypatch, loaded, "gate", **address))


def test_another_period_and_station_go_to_the_address(monkeypatch, loaded):
    test = page(monkeypatch, loaded, "gate", cell="cell1", day=DAY)
    test.selectbox[1].select("week").run()
    assert not test.exception
    assert selected(test)["week"] == "2026-W43"
    station = next(box for box in test.selectbox if box.label == "Station")
    station.select(station.options[1]).run()
    assert selected(test)["station"] == station.options[1]


def test_an_empty_plant_says_how_to_load(monkeypatch, tmp_path):
    empty = write_small_plant(tmp_path / "plant", logs=False)
    assert "taktbook ingest" in words(page(monkeypatch, empty, "first"))


def test_a_broken_cell_file_does_not_take_the_other_cells(monkeypatch, own):
    add_broken_cell(own)
    text = words(page(monkeypatch, own, "gate", cell="cell1", day=DAY))
    assert "its file is broken" in text  # where cells are chosen
    assert "How this is computed" in text


@cache
def whole_sample(cell: str, name: str) -> tuple[Window, Study]:
    plant = sample_plant()
    days = plant.days(cell)
    window = Window("all", plant.file.day_bounds(days[0])[0], plant.file.day_bounds(days[-1])[1])
    command = next(s for s in STUDIES if name == s.NAME)
    return window, command.load()(plant, cell, window)


@pytest.mark.parametrize("cell", CELLS)
@pytest.mark.parametrize("name", NAMES)
def test_pictures_of_the_sample_are_drawn_with_few_marks(cell, name):
    plant = sample_plant()
    window, study = whole_sample(cell, name)
    pictures = picture_of(plant, cell, window, study)
    assert pictures or (cell, name) == ("timer", "sets")  # timers come one by one
    for picture in pictures:
        told = picture.chart.to_dict()
        marks = max(len(rows) for rows in told["datasets"].values())
        assert 0 < marks <= MOST_MARKS, picture.title
        assert isinstance(picture.chart, alt.LayerChart)


@pytest.mark.parametrize("name", NAMES)
def test_tables_of_a_page_hold_the_figures_of_the_command(name):
    plant = sample_plant()
    _, study = whole_sample("spoon", name)
    for table, frame in study.tables.items():
        shown, config = as_columns(plant, frame)
        assert shown.height == frame.height, table
        assert list(config) or not frame.columns
        for column in set(shown.columns) & set(frame.columns):
            if frame.schema[column].is_numeric() and shown.schema[column].is_numeric():
                factor = 1e6 if column == "us" or column.endswith("_us") else 1
                assert (shown[column] * factor - frame[column]).abs().max() in (None, pytest.approx(0, abs=1e-3)), (
                    column
                )


def test_instants_are_told_by_the_plants_clock():
    midnight = 1_761_436_800_000_000  # of 2025-10-26 in UTC; an hour later clocks in Berlin are put back
    shown, _ = as_columns(sample_plant(), pl.DataFrame({"start_us": [midnight, midnight + 3_600_000_000, None]}))
    assert shown["start_us"].to_list() == ["2025-10-26 02:00:00.000 +02:00", "2025-10-26 02:00:00.000 +01:00", "–"]


@pytest.mark.parametrize("name", NAMES)
def test_each_page_has_its_method(name):
    assert f"taktbook {name}" in method_of(name).splitlines()[0]
    assert "elieve" in method_of(name)
