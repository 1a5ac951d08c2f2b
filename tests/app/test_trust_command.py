"""taktbook trust as people use it: the one figure first, then what to do, then the sources."""

from __future__ import annotations

import csv
import io
import json
import re

import pytest

from analytics.cell import Cell
from analytics.claims.held import MODE_CAUSE, STATE_CAUSE
from analytics.ledger import MISSING, WAITING
from analytics.trust.advice import advice
from app.cli import main
from app.print_trust import fault_text
from tests.app.small import DAY, write_log, write_small_plant
from tests.app.test_cli import flat, run


def test_the_first_line_is_the_known_share_of_the_account_with_its_window(loaded, capsys):
    code, out, _ = run(capsys, "trust", "--plant", str(loaded), "--day", DAY, "--shift", "early")
    _, told, _ = run(capsys, "account", "--plant", str(loaded), "--day", DAY, "--shift", "early", "--format", "json")
    first = out.splitlines()[0]
    assert code == 0
    assert float(first.split(" %")[0]) == pytest.approx(json.loads(told)["known_share"] * 100, abs=0.005)
    assert "Cell cell1 · Tuesday 20 October 2026 · early shift 06:00–14:00" in first


def test_what_hides_most_comes_first_with_its_worth_and_what_to_do(capsys, tmp_path):
    """An hour of the log is missing: the controller's sign of life comes each minute."""
    folder = write_small_plant(tmp_path / "plant", logs=False)
    path = write_log(folder, DAY)
    kept = [line for line in path.read_text().splitlines(True) if not line.startswith(f"{DAY} 10:")]
    path.write_text("".join(kept))
    assert main(["ingest", "--plant", str(folder)]) == 0
    _, out, _ = run(capsys, "trust", "--plant", str(folder), "--day", DAY, "--shift", "early")
    _, told, _ = run(capsys, "trust", "--plant", str(folder), "--day", DAY, "--shift", "early", "--format", "json")
    data = json.loads(told)
    most = data["would_raise"][0]
    assert most["sources"] == ["example"]
    assert 3300e6 < most["us"] < 3600e6
    assert most["share"] == pytest.approx(most["us"] / data["planned_busy_us"])
    assert most["parts"] == pytest.approx(most["us"] / 60e6, abs=0.01)  # takt 60 s
    worth = rf"\+{most['share'] * 100:.2f} +{most['us'] / 1e6:,.0f} s +{most['parts']:.0f}"
    row = rf"What would raise it most.* {worth} +10:0\d:\d\d–11:00:\d\d +example silent"
    assert re.search(row, flat(out))
    assert "→ power, network or logger of example?" in flat(out)
    (hole,) = [f for f in data["faults"] if f["what"] == "hole"]
    assert hole["n"] > 300
    assert hole["log_end_line"] == hole["log_line"] + 1
    assert [s["gaps"] for s in data["sources"]] == [1]


def test_quarantined_lines_count_with_their_share_and_lead_to_the_check(capsys, tmp_path):
    folder = write_small_plant(tmp_path / "plant", garbage=True)
    main(["ingest", "--plant", str(folder)])
    _, out, _ = run(capsys, "trust", "--plant", str(folder), "--day", DAY)
    assert re.search(r"^example +3,\d{3} +2 = 0\.06\d %", out, flags=re.M)
    assert "taktbook check" in out


def test_by_hour_each_line_is_in_one_hour(loaded, capsys):
    arguments = ("trust", "--plant", str(loaded), "--day", DAY, "--format", "csv")
    _, whole, _ = run(capsys, *arguments)
    _, hours, _ = run(capsys, *arguments, "--by", "hour")
    (all_of_it,), each = (list(csv.DictReader(io.StringIO(text))) for text in (whole, hours))
    assert len(each) == 24
    for name in ("lines", "with_events", "skipped", "quarantined"):
        assert int(all_of_it[name]) == sum(int(row[name]) for row in each) >= 0
    assert [row["lines"] != "0" for row in each] == [True] * 8 + [False] * 16
    _, table, _ = run(capsys, "trust", "--plant", str(loaded), "--day", DAY, "--by", "hour")
    assert re.search(r"^06:00 +\d+\.\d\d % +example", table, flags=re.M)


def test_by_day_takes_the_days_of_a_week(loaded, capsys):
    _, out, _ = run(capsys, "trust", "--plant", str(loaded), "--week", "2026-W43", "--by", "day", "--format", "json")
    assert [w["key"] for w in json.loads(out)["windows"]] == [DAY]


def test_a_period_without_events_is_explained(loaded, capsys):
    code, _, err = run(capsys, "trust", "--plant", str(loaded), "--day", "2020-01-01")
    assert code == 2
    assert "no events of cell cell1" in err


MODEL = Cell.model_validate(
    {
        "name": "a1",
        "outlet": "press",
        "stations": [{"name": "press", "kind": "machine", "sources": ["plc", "io"]}],
        "products": [{"name": "dish", "takt_s": 10}],
        "sources": [{"name": "plc", "silence_s": 120}, {"name": "io", "silence_s": 60}],
    }
)


@pytest.mark.parametrize(
    ("line", "cause", "silent", "expected"),
    [
        ("no_data", "silent: plc", ["plc"], "raise silence_s (120) in cells/a1.toml"),
        ("no_data", "silent: all its sources", ["plc", "io"], "all of them at once"),
        ("no_data", "link down", [], "connection of plc, io"),
        ("unexplained", MISSING, ["io"], "goes with the silence of io"),
        ("unexplained", MISSING, [], "holes, unpaired and quarantined of plc, io"),
        ("unexplained", "end of a cycle not logged", [], "lines of press are missing"),
        ("unexplained", WAITING, [], "part_in, part_out"),
        *(("unexplained", cause, [], "name the reason") for cause in (*STATE_CAUSE.values(), *MODE_CAUSE.values())
          if cause != "mode setup"),
        ("unexplained", None, [], "let plc, io log the states of press"),
    ],
)  # fmt: skip
def test_whatever_hides_time_there_is_something_to_do(line, cause, silent, expected):
    assert expected in advice(MODEL, line, cause, ["press"], silent=silent, to_the_end=False).do


def test_where_the_logs_end_newer_ones_are_to_be_loaded():
    said = advice(MODEL, "no_data", "silent: plc", ["press"], silent=["plc"], to_the_end=True)
    assert "taktbook ingest" in said.do


@pytest.mark.parametrize(
    ("fault", "words"),
    [
        ({"what": "hole", "n": 5, "also_n": 2}, "3 numbers missing, 2 more stand there unread"),
        ({"what": "restart", "name": "wrap", "detail": "65535 → 0"}, "numbers begin anew (wrap, 65535 → 0)"),
        ({"what": "restart", "name": "not one series", "detail": "begins anew 26 times"}, "numbers are not one series"),
        ({"what": "unknown", "name": "code", "detail": "Q9", "n": 2, "station": "press", "nest": "1"},
         "unknown code Q9 at press nest 1, 2 events"),
        ({"what": "unpaired", "name": "cycle without end", "detail": "P7", "station": "press", "nest": None},
         "cycle without end at press: P7"),
    ],
)  # fmt: skip
def test_a_fault_in_words(fault, words):
    assert fault_text({"station": None, "nest": None, "also_n": None, **fault}).startswith(words)
