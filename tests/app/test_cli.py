"""The command as people use it: what it prints, what it writes, with which exit code it ends."""

from __future__ import annotations

import io
import json
import re
import socket
from decimal import Decimal
from pathlib import Path

import polars as pl
import pytest
from rich.console import Console

from analytics.book import open_plant
from analytics.stops import stops
from analytics.windows import last_shift
from app.cli import COMMANDS, main, parser
from app.commands import demo, ingest, serve
from app.commands.stops import stop_table
from tests.app.small import DAY, write_log, write_small_plant

README = Path(__file__).parents[2] / "README.md"


def run(capsys: pytest.CaptureFixture[str], *words: str) -> tuple[int, str, str]:
    capsys.readouterr()
    code = main(list(words))
    out, err = capsys.readouterr()
    assert "Traceback" not in err
    return code, out, err


def flat(text: str) -> str:
    """The text without its line breaks."""
    return " ".join(text.split())


def number(text: str) -> int:
    return int(text.replace(",", ""))


def exact(text: str) -> Decimal:
    return Decimal(text.replace(",", ""))


# ---- every command


@pytest.mark.parametrize("command", COMMANDS, ids=lambda c: c.NAME)
def test_the_help_of_a_command_ends_with_an_example_that_its_parser_takes(command, capsys):
    code, out, _ = run(capsys, command.NAME, "--help")
    assert code == 0
    example = out.rstrip().rsplit("Example:  taktbook ", 1)[1]
    assert parser().parse_args(example.split()).run == command.run


@pytest.mark.parametrize("command", COMMANDS, ids=lambda c: c.NAME)
def test_the_readme_lists_every_command(command):
    assert f"| `taktbook {command.NAME}" in README.read_text(encoding="utf-8")


def test_a_command_that_does_not_exist_ends_with_2(capsys):
    code, _, err = run(capsys, "acount")
    assert code == 2
    assert "acount" in err


def test_a_folder_without_a_plant_is_explained(capsys, tmp_path):
    code, out, err = run(capsys, "account", "--plant", str(tmp_path))
    assert (code, out) == (2, "")
    assert "plant.toml: There is no such file" in err
    assert "taktbook new" in err


def test_an_interrupt_says_that_the_store_is_as_it_was(capsys, own, monkeypatch):
    def interrupted(*_: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(ingest, "load", interrupted)
    code, _, err = run(capsys, "ingest", "--plant", str(own))
    assert code == 130
    assert "nothing is there by halves" in err


# ---- new, check


def test_what_new_writes_is_valid_as_it_is(capsys, tmp_path):
    assert run(capsys, "new", str(tmp_path / "mine"))[0] == 0
    code, out, _ = run(capsys, "check", "--plant", str(tmp_path / "mine"))
    assert code == 0
    assert "cells/ (1) and sources/ (1) are valid" in out
    assert (tmp_path / "mine" / "inbox").is_dir()


def test_new_overwrites_nothing(capsys, tmp_path):
    (tmp_path / "cells").mkdir()
    (tmp_path / "cells" / "cell1.toml").write_text("mine", encoding="utf-8")
    code, _, err = run(capsys, "new", str(tmp_path))
    assert code == 2
    assert "cells/cell1.toml" in err
    assert (tmp_path / "cells" / "cell1.toml").read_text(encoding="utf-8") == "mine"
    assert not (tmp_path / "plant.toml").exists()


def test_check_tells_every_problem_of_every_file_in_one_go(capsys, own):
    plant, cell, source = own / "plant.toml", own / "cells" / "cell1.toml", own / "sources" / "example.toml"
    plant.write_text(
        plant.read_text(encoding="utf-8").replace('day_start = "06:00"', 'day_strat = "06:00"'), encoding="utf-8"
    )
    cell.write_text(cell.read_text(encoding="utf-8").replace('from = ["press"]', 'from = ["pres"]'), encoding="utf-8")
    source.write_text(source.read_text(encoding="utf-8").replace('format = "text"', 'format = "txt"'), encoding="utf-8")
    code, _, err = run(capsys, "check", "--plant", str(own))
    assert code == 2
    for words in (
        "day_strat",
        "did you mean 'day_start'",
        "pres",
        "did you mean 'press'",
        "txt",
        "did you mean 'text'",
    ):
        assert words in err


def test_check_names_what_the_logs_say_and_the_cell_does_not_know(capsys, own):
    cell = own / "cells" / "cell1.toml"
    cell.write_text(cell.read_text(encoding="utf-8").replace('code = "A1"', 'code = "A2"'), encoding="utf-8")
    code, out, _ = run(capsys, "check", "--plant", str(own), "--format", "json")
    assert code == 1
    assert [f["name"] for f in json.loads(out)["findings"] if f["what"] == "unknown code"] == ["A1"]


def test_a_refused_file_is_told_by_ingest_and_check_until_it_is_gone(capsys, own):
    picture = own / "inbox" / "example" / "photo.log"
    picture.write_bytes(b"\x89PNG\r\n\x1a\n" + bytes(range(32)))
    for command in ("ingest", "check"):
        code, out, _ = run(capsys, command, "--plant", str(own))
        assert code == 1
        assert "inbox/example/photo.log" in out
        assert "This is a binary file" in out
    picture.unlink()
    assert "photo.log" not in run(capsys, "check", "--plant", str(own))[1]


# ---- ingest


def test_ingest_shows_the_balance_of_lines_and_ends_with_1_when_lines_are_quarantined(capsys, tmp_path):
    folder = write_small_plant(tmp_path / "p", garbage=True)
    code, out, _ = run(capsys, "ingest", "--plant", str(folder))
    assert code == 1
    read, used, skipped, bad = (
        number(n) for n in re.findall(r"files? +([\d,]+) +=+ +([\d,]+) +\+ +([\d,]+) +\+ +([\d,]+)", out)[0]
    )
    assert read == used + skipped + bad
    assert bad == 2
    assert "@@@@ controller restarted @@@@" in out


def test_ingest_of_the_same_files_again_changes_nothing(capsys, own):
    code, out, _ = run(capsys, "ingest", "--plant", str(own), "--format", "json")
    told = json.loads(out)
    assert code == 0
    assert [f["state"] for f in told["files"]] == ["already loaded"]
    assert told["facts"] == {"cell1": []}


def test_facts_says_which_days_it_made_and_when_there_is_nothing(capsys, own, tmp_path):
    (own / "cells" / "cell1.toml").open("a", encoding="utf-8").write('\n[[causes]]\ncode = "Z9"\n')
    assert "Facts of cell1: 1 day made" in run(capsys, "facts", "--plant", str(own))[1]
    assert "Facts of cell1: up to date" in run(capsys, "facts", "--plant", str(own))[1]
    run(capsys, "new", str(tmp_path / "empty"))
    assert "Nothing is loaded yet" in run(capsys, "facts", "--plant", str(tmp_path / "empty"))[1]


def test_ingest_of_an_unknown_source_names_the_known_ones(capsys, own):
    code, _, err = run(capsys, "ingest", "--plant", str(own), "--source", "exmaple")
    assert code == 2
    assert "example" in err


# ---- account


def test_the_lines_of_the_json_account_add_up_to_planned_busy_time(capsys, loaded):
    code, out, _ = run(capsys, "account", "--plant", str(loaded), "--format", "json")
    told = json.loads(out)
    assert code == 0
    assert told["planned_busy_us"] == sum(line["us"] for line in told["lines"]) == (8 * 3600 - 900) * 1_000_000
    assert (told["cell"], told["station"], told["convention"]) == ("cell1", None, "iso22400")
    assert (told["from"], told["to"]) == (f"{DAY}T06:00:00+02:00", f"{DAY}T14:00:00+02:00")
    assert {"line", "station", "cause", "us", "parts"} == set(told["lines"][0])
    assert {"value", "base"} <= set(told["kpis"]["oee"])
    assert {"fed", "good", "rejects", "rework", "stock", "unaccounted"} <= set(told["parts"])
    assert told["parts"]["rejects"] == {"scratch": 4}


def test_the_statement_adds_up_as_it_is_printed(capsys, loaded):
    code, out, _ = run(capsys, "account", "--plant", str(loaded))
    assert code == 0
    assert "Cell cell1 · Tuesday 20 October 2026 · early shift 06:00–14:00 Europe/Berlin" in out
    rows = re.findall(r"^([–+=]?) +\S.*? +([\d,]+) s +([\d,.]+) parts", out, flags=re.M)
    sign = {"–": -1, "+": 1}
    planned, *lost, good = rows
    assert len(lost) > 4
    for column in (1, 2):
        left = exact(planned[column]) + sum(sign[row[0]] * exact(row[column]) for row in lost)
        assert left == exact(good[column])
    assert "door not locked" in out


def test_a_safety_stop_is_a_line_of_its_own_below_the_losses_with_a_caution(capsys, loaded):
    _, out, _ = run(capsys, "account", "--plant", str(loaded))
    lines = [line for line in out.splitlines() if line.startswith(("–", "+"))]
    losses = [line for line in lines if " s " in line]
    assert "safety stop" in losses[-1]
    assert "lock-out procedure and risk assessment" in flat(out)


def test_both_conventions_give_the_same_oee(capsys, loaded):
    values = []
    for convention in ("iso22400", "tpm"):
        _, out, _ = run(capsys, "account", "--plant", str(loaded), "--format", "json", "--convention", convention)
        values.append(json.loads(out)["kpis"]["oee"]["value"])
    assert values[0] == values[1]


def test_hours_add_up_to_the_shift(capsys, loaded):
    _, out, _ = run(capsys, "account", "--plant", str(loaded), "--format", "json")
    whole = json.loads(out)
    _, out, _ = run(capsys, "account", "--plant", str(loaded), "--by", "hour", "--format", "json")
    told = json.loads(out)
    assert told["by"] == "hour"
    assert len(told["accounts"]) == 8
    assert sum(a["planned_busy_us"] for a in told["accounts"]) == whole["planned_busy_us"]


@pytest.mark.parametrize(
    ("by", "keys"), [("station", ["press", "pack"]), ("product", ["dish"]), ("shift", [f"{DAY} early", f"{DAY} late"])]
)
def test_an_account_by_station_product_or_shift(by, keys, capsys, loaded):
    code, out, _ = run(capsys, "account", "--plant", str(loaded), "--by", by, "--day", DAY, "--format", "json")
    told = json.loads(out)["accounts"]
    assert code == 0
    assert [a["key"] if by == "shift" else a[by] for a in told] == keys
    code, out, _ = run(capsys, "account", "--plant", str(loaded), "--by", by, "--day", DAY)
    assert all(key in out for key in keys)


def test_csv_and_parquet_hold_the_same_lines(capsys, loaded, tmp_path):
    _, out, _ = run(capsys, "account", "--plant", str(loaded), "--format", "csv")
    path = tmp_path / "account.parquet"
    code, shown, _ = run(capsys, "account", "--plant", str(loaded), "--format", "parquet", "--output", str(path))
    assert (code, shown) == (0, "")
    frame = pl.read_parquet(path)
    assert frame["us"].sum() == (8 * 3600 - 900) * 1_000_000
    assert out.splitlines()[0].split(",") == frame.columns
    assert len(out.splitlines()) == frame.height + 1


def test_parquet_needs_a_file(capsys, loaded):
    code, _, err = run(capsys, "account", "--plant", str(loaded), "--format", "parquet")
    assert code == 2
    assert "--output FILE.parquet" in err


def test_a_file_that_cannot_be_written_is_an_error_of_use(capsys, loaded, tmp_path):
    for form in ("table", "json", "csv", "parquet"):
        code, _, err = run(
            capsys, "account", "--plant", str(loaded), "--format", form, "--output", str(tmp_path / "none" / "x")
        )
        assert code == 2
        assert "cannot be written" in err


@pytest.mark.parametrize(
    ("words", "told"),
    [
        ("--cell cell2", "did you mean 'cell1'"),
        ("--station pres", "did you mean 'press'"),
        ("--product dich", "did you mean 'dish'"),
        ("--shift nigt --day 2026-10-20", "early, late"),
        ("--shift night", "early, late"),
        ("--day 20.10.2026", "2026-10-24"),
        ("--day 2020-01-01", "2026-10-20"),
        ("--week 2026-43", "2026-W43"),
        ("--week 2026-W43 --day 2026-10-20", "give one of them"),
        ("--last-shift --shift early", "give one of them"),
        ("--from 2026-10-20T06:00", "--to"),
        ("--from 2026-10-20T08:00 --to 2026-10-20T07:00", "ends before it begins"),
        ("--from yesterday --to 2026-10-20T07:00", "ISO 8601"),
        ("--from 2026-10-25T02:30 --to 2026-10-25T04:00", "2026-10-25T02:30:00+02:00 or 2026-10-25T02:30:00+01:00"),
        ("--from 2026-03-29T02:30 --to 2026-03-29T04:00", "does not exist in Europe/Berlin"),
        ("--by station --station press", "give one of the two"),
        ("--by product --product dish", "give one of the two"),
        ("--by shift --from 2026-10-20T23:00 --to 2026-10-20T23:30", "--by hour"),
    ],
)
def test_a_wrong_choice_says_what_is_allowed(words, told, capsys, loaded):
    code, out, err = run(capsys, "account", "--plant", str(loaded), *words.split())
    assert (code, out) == (2, "")
    assert told in err


def test_a_plant_with_several_cells_asks_which(capsys, own):
    plant = own / "plant.toml"
    plant.write_text(plant.read_text(encoding="utf-8").replace('["cell1"]', '["cell1", "cell2"]'), encoding="utf-8")
    code, _, err = run(capsys, "account", "--plant", str(own))
    assert code == 2
    assert "cell1, cell2" in err


def test_the_account_of_a_plant_without_logs_says_to_load_some(capsys, tmp_path):
    write_small_plant(tmp_path / "p", logs=False)
    code, _, err = run(capsys, "account", "--plant", str(tmp_path / "p"))
    assert code == 2
    assert "taktbook ingest" in err


# ---- stops


def test_stops_are_listed_with_local_time_cause_and_log_lines(capsys, loaded):
    code, out, _ = run(capsys, "stops", "--plant", str(loaded))
    assert code == 0
    row = next(line for line in out.splitlines() if "breakdown" in line)
    assert row.split()[:3] == ["10:30:00", "press", "600.0"]
    assert f"inbox/example/{DAY}.log:" in row
    assert "lock-out procedure" in flat(out)  # an emergency stop is among them


def test_the_log_lines_of_a_stop_say_what_it_says(capsys, loaded):
    _, out, _ = run(capsys, "stops", "--plant", str(loaded), "--line", "breakdown", "--format", "json")
    (stop,) = json.loads(out)["stops"]
    text = (loaded / stop["log_file"]).read_text(encoding="utf-8").splitlines()
    assert "press alarm on A1" in text[stop["log_line"] - 1]
    assert "press alarm off A1" in text[stop["log_end_line"] - 1]
    assert stop["us"] == 600_000_000


def test_a_stop_of_the_whole_cell_and_what_a_person_said_are_told(loaded):
    plant = open_plant(loaded)
    _, window = last_shift(plant, "cell1")
    rows = stops(plant, "cell1", window, line="breakdown").with_columns(
        station=pl.lit(None, pl.String), said=pl.lit("repair")
    )
    shown = io.StringIO()
    Console(file=shown, width=150).print(stop_table(plant, window, rows))
    assert "whole cell" in shown.getvalue()
    assert "door not locked (said: repair)" in shown.getvalue()


def test_stops_shorter_than_asked_are_left_out_and_counted(capsys, loaded):
    _, out, _ = run(capsys, "stops", "--plant", str(loaded), "--min-s", "500", "--format", "csv")
    assert len(out.splitlines()) == 2
    _, out, _ = run(capsys, "stops", "--plant", str(loaded), "--min-s", "500")
    assert "shorter than 500 s left out" in out


def test_a_line_that_the_account_does_not_have_is_explained(capsys, loaded):
    code, _, err = run(capsys, "stops", "--plant", str(loaded), "--line", "microstop")
    assert code == 2
    assert "did you mean 'micro_stop'" in err


# ---- demo, app


@pytest.fixture
def tiny_sample(tmp_path, monkeypatch) -> Path:
    """The small plant in the place of the sample."""
    write_small_plant(tmp_path / "sample" / "plant")
    monkeypatch.setattr(demo, "files", lambda _: tmp_path / "sample")
    return tmp_path


def test_demo_lays_out_a_plant_and_shows_the_account_of_its_last_shift(capsys, tiny_sample):
    code, out, _ = run(capsys, "demo", str(tiny_sample / "demo plant"))
    assert code == 0
    assert "Cell cell1 · Tuesday 20 October 2026 · early shift" in out
    assert re.search(r"= +good +[\d,]+ s", out)
    assert f'  taktbook app --plant "{tiny_sample / "demo plant"}"\n' in out


def test_demo_lays_its_own_folder_out_anew(capsys, tiny_sample):
    folder = tiny_sample / "d"
    run(capsys, "demo", str(folder))
    write_log(folder, "2026-10-21")
    (folder / "notes.sqlite").write_text("what people entered", encoding="utf-8")
    code, _, _ = run(capsys, "demo", str(folder))
    assert code == 0
    assert [p.name for p in (folder / "inbox" / "example").iterdir()] == [f"{DAY}.log"]
    assert (folder / "notes.sqlite").exists()


def test_demo_leaves_any_other_folder_as_it_is(capsys, tiny_sample):
    (tiny_sample / "mine").mkdir()
    (tiny_sample / "mine" / "letter.txt").write_text("dear", encoding="utf-8")
    code, _, err = run(capsys, "demo", str(tiny_sample / "mine"))
    assert code == 2
    assert "is no demo plant" in err
    assert [p.name for p in (tiny_sample / "mine").iterdir()] == ["letter.txt"]


def test_the_pages_are_served_to_this_machine_only_and_tell_nobody():
    words = serve.command(8517)
    assert "--server.address=127.0.0.1" in words
    assert "--browser.gatherUsageStats=false" in words
    assert "--server.headless=true" in words


def test_a_port_that_is_taken_is_an_error_of_use(capsys, loaded):
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        code, _, err = run(capsys, "app", "--plant", str(loaded), "--port", str(port))
    assert code == 2
    assert f"--port {port + 1}" in err
