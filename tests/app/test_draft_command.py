"""taktbook draft and taktbook check as people use them with a log that nobody has seen."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest

from app.cli import main
from app.commands.new import write_plant
from ingest.source import load_source
from tests.app.small import write_small_plant

DIALECTS = Path(__file__).parents[1] / "ingest" / "dialects"


def run(capsys: pytest.CaptureFixture[str], *words: str) -> tuple[int, str, str]:
    capsys.readouterr()
    code = main(list(words))
    out, err = capsys.readouterr()
    assert "Traceback" not in err
    return code, out, err


@pytest.fixture
def own(tmp_path: Path) -> Path:
    folder = write_plant(tmp_path / "p")
    (folder / "sources" / "example.toml").unlink()
    shutil.copy(DIALECTS / "us_am_pm.log", folder / "inbox" / "us_am_pm.log")
    return folder


def test_a_draft_is_shown_and_nothing_is_written(capsys, own):
    code, out, err = run(capsys, "draft", "--plant", str(own), str(own / "inbox" / "us_am_pm.log"))
    assert code == 0
    assert out.startswith("# sources/us_am_pm.toml, drafted from 1 file (180 lines).")
    assert "us_am_pm: 100 % of 180 lines looked at are understood" in err
    assert list((own / "sources").iterdir()) == []


def test_from_an_unknown_log_to_events_in_three_commands(capsys, own):
    log = str(own / "inbox" / "us_am_pm.log")
    code, out, _ = run(capsys, "draft", "--plant", str(own), log, "--name", "saw", "--write")
    assert code == 0
    assert out.startswith("Written: ")
    assert load_source(own / "sources" / "saw.toml").name == "saw"
    assert run(capsys, "ingest", "--plant", str(own), "--no-facts")[0] == 0
    code, out, _ = run(capsys, "check", "--plant", str(own), "--format", "json")
    assert json.loads(out)["sources"] == [
        {"source": "saw", "files": 1, "lines": 180, "with_events": 180, "skipped": 0, "quarantined": 0, "events": 180}
    ]


def test_a_source_file_that_is_there_is_never_overwritten(capsys, own):
    log = str(own / "inbox" / "us_am_pm.log")
    mine = own / "sources" / "saw.toml"
    mine.write_text("# mine\n", encoding="utf-8")
    for words in (("--write", "--name", "saw"), ("--out", str(mine))):
        code, _, err = run(capsys, "draft", "--plant", str(own), log, *words)
        assert code == 2
        assert "nothing is overwritten" in err
        assert "name another source" in err
    assert mine.read_text(encoding="utf-8") == "# mine\n"


def test_a_draft_can_go_to_a_file_and_needs_no_plant(capsys, tmp_path):
    target = tmp_path / "drafts" / "m.toml"
    code, _, _ = run(capsys, "draft", "--plant", str(tmp_path), str(DIALECTS / "quoted.csv"), "--out", str(target))
    assert code == 0
    assert load_source(target).format == "delimited"


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (("--write",), "there is no plant here"),
        (("--write", "--out", "x"), "exclude each other"),
        (("--name", "a b"), "cannot be the name of a source"),
        (("--cell", "a b"), "cannot be the name of a cell"),
    ],
)
def test_wrong_use_of_draft_is_explained(words, message, capsys, tmp_path):
    code, out, err = run(capsys, "draft", "--plant", str(tmp_path), str(DIALECTS / "quoted.csv"), *words)
    assert (code, out) == (2, "")
    assert message in err


def test_a_cell_that_the_plant_does_not_have_is_refused(capsys, own):
    code, _, err = run(capsys, "draft", "--plant", str(own), str(own / "inbox" / "us_am_pm.log"), "--cell", "cell9")
    assert code == 2
    assert "The plant has no such cell" in err
    assert "cell1" in err


def test_the_reason_why_nothing_can_be_drafted_goes_to_the_error_stream(capsys, tmp_path):
    code, out, err = run(capsys, "draft", "--plant", str(tmp_path), str(DIALECTS / "clock_only.log"))
    assert (code, out) == (2, "")
    assert "clock times without a date" in err


# ---- check


def test_check_groups_what_is_not_understood_and_says_where_it_begins(capsys, tmp_path):
    folder = write_small_plant(tmp_path / "p", garbage=True)
    log = next((folder / "inbox" / "example").iterdir())
    with log.open("a", encoding="utf-8") as file:
        file.writelines(f"axis {n} homed in {n / 7:.2f} s\n" for n in range(25))
    run(capsys, "ingest", "--plant", str(folder), "--no-facts")
    code, out, _ = run(capsys, "check", "--plant", str(folder))
    assert code == 1
    assert "27 lines are not understood, of 3 kinds:" in out
    first = out.split("of 3 kinds:\n")[1].splitlines()[:4]
    assert " ".join(first[0].split()) == "25 example no pattern matches this line"
    assert first[1].strip() == "all like    axis … homed in … s"
    assert first[2].strip() == "the first   axis 0 homed in 0.00 s"
    assert first[3].strip().startswith("stands in   inbox/example/2026-10-20.log:")
    _, out, _ = run(capsys, "check", "--plant", str(folder), "--format", "json")
    kind = json.loads(out)["quarantine"][0]
    assert (kind["n"], kind["template"]) == (25, "axis … homed in … s")


def test_check_names_a_cell_that_has_events_but_is_not_in_the_plant(capsys, own):
    log = str(own / "inbox" / "us_am_pm.log")
    run(capsys, "draft", "--plant", str(own), log, "--write")
    source = own / "sources" / "us_am_pm.toml"
    source.write_text(
        source.read_text(encoding="utf-8").replace('cell = "cell1"', 'cell = "undecided"'), encoding="utf-8"
    )
    run(capsys, "ingest", "--plant", str(own), "--no-facts")
    code, out, _ = run(capsys, "check", "--plant", str(own), "--format", "json")
    assert code == 1
    strays = [f for f in json.loads(out)["findings"] if f["what"] == "unknown cell"]
    assert [(f["name"], f["n"], f["file"]) for f in strays] == [("undecided", 180, "inbox/us_am_pm.log")]
