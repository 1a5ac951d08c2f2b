"""The page and the command of the plant."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from streamlit.testing.v1 import AppTest

from app.cli import main
from tests.app.running import run
from tests.app.small import DAY, write_small_plant

PAGE = str(Path(__file__).parents[2] / "app" / "views" / "plant.py")


def page(monkeypatch, folder, **address):
    return run(AppTest.from_file(PAGE, default_timeout=60), monkeypatch, folder, address)


@pytest.mark.parametrize("address", [{}, {"day": DAY}, {"week": "2026-W43"}, {"day": "x"}, {"week": "x"}], ids=str)
def test_the_page_shows_what_the_command_gives(monkeypatch, loaded, capsys, address):
    table = page(monkeypatch, loaded, **address).dataframe[0].value
    wish = [f"--{key}={value}" for key, value in address.items() if value != "x"]
    wish = wish or ([f"--{key}={ {'day': DAY, 'week': '2026-W43'}[key] }" for key in address])
    assert main(["overview", "--plant", str(loaded), *wish, "--format", "json"]) == 0
    (row,) = json.loads(capsys.readouterr().out)
    assert table["good_n"].to_list() == [row["good_n"]]
    assert table["oee"].to_list() == [row["oee"]]
    assert table["open"].to_list()[0].startswith("/shift?cell=cell1")
    assert table["period"].to_list()[0].startswith("Mon 19 Oct" if "week" in address else "Tue 20 Oct")


def test_cells_are_searched_by_name(monkeypatch, loaded):
    test = page(monkeypatch, loaded)
    test.text_input[0].input("nothing like it").run()
    assert test.dataframe[0].value.empty


def test_an_empty_plant_says_how_to_load(monkeypatch, tmp_path):
    assert "taktbook ingest" in page(monkeypatch, write_small_plant(tmp_path / "p", logs=False)).info[0].value


def test_a_broken_cell_file_is_told_and_the_command_says_so(monkeypatch, own, capsys):
    (own / "cells" / "cell1.toml").write_text("name = 3\n", encoding="utf-8")
    test = page(monkeypatch, own)
    assert "cannot be closed" in test.info[0].value
    assert main(["overview", "--plant", str(own)]) == 1
    assert "cells/cell1.toml" in capsys.readouterr().out
