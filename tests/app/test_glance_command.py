"""taktbook glance: what it prints, and what it refuses."""

from __future__ import annotations

import json

import pytest

from app.cli import main
from ingest.load import load
from tests.app.small import write_small_plant


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    where = write_small_plant(tmp_path_factory.mktemp("glance"))
    load(where)
    return str(where)


def test_it_shows_each_station_and_says_what_it_leaves_to_the_account(folder, capsys):
    assert main(["glance", "--plant", folder]) == 0
    said = capsys.readouterr().out
    assert "OEE" in said
    assert "taktbook account" in said


def test_as_json_it_has_a_row_per_station_and_day(folder, capsys):
    assert main(["glance", "--plant", folder, "--format", "json"]) == 0
    rows = json.loads(capsys.readouterr().out)
    assert all(0 < row["oee"] <= 1.5 and row["zone"] for row in rows)


@pytest.mark.parametrize("wish", [["--day", "1999-01-01"], ["--last", "0"], ["--last", "-3"]])
def test_days_without_events_are_refused_with_what_there_is(folder, wish, capsys):
    assert main(["glance", "--plant", folder, *wish]) == 2
    said = capsys.readouterr().err
    assert "no events" in said
    assert "allowed" in said


def test_an_empty_plant_says_what_to_do(tmp_path, capsys):
    assert main(["glance", "--plant", str(write_small_plant(tmp_path / "p", logs=False))]) == 2
    assert "taktbook ingest" in capsys.readouterr().err
