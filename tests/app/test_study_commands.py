"""The commands of all analyses on odd plants: stated results, exports that machines can read, the account closed."""

from __future__ import annotations

import io
import json
import re
from pathlib import Path
from typing import Any

import polars as pl
import pytest

from analytics.account import account
from analytics.study import Study
from app.cli import main
from app.commands import studies
from app.commands.studies import STUDIES, StudyCommand
from tests.app.odd_plants import NO_EVENTS, ODD
from tests.logs import shift

BAD_WORD = re.compile(r"(?<![\w-])(None|nan|NaN|inf|Infinity|null|NaT|e[-+]\d\d)(?![\w-])")
"""What a value that does not exist looks like when it was put into a sentence all the same."""


class Bench:
    """The odd plants, each opened once; an analysis of one is done once, whatever it is printed as."""

    def __init__(self, folder: Path) -> None:
        self.folder, self.plants, self.done = folder, {}, {}

    def plant(self, name: str) -> Any:
        if name not in self.plants:
            self.plants[name] = ODD[name].plant(self.folder / str(len(self.plants)))
        return self.plants[name]

    def load(self, command: StudyCommand, name: str) -> Any:
        def once(*args: Any, **wishes: Any) -> Study:
            key = (command.NAME, name)
            if key not in self.done:
                try:
                    self.done[key] = LOAD(command)(*args, **wishes)
                except Exception as refusal:  # raised again below, as often as it is asked
                    self.done[key] = refusal
            found = self.done[key]
            if isinstance(found, Exception):
                raise found
            return found

        return once


LOAD = StudyCommand.load


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Bench:
    return Bench(tmp_path_factory.mktemp("odd"))


@pytest.fixture
def run(bench, monkeypatch, capsys):
    """Run a command on an odd plant as a person would: exit code, what was printed, what the error stream says."""

    def go(name: str, command: str, *words: str, once: bool = True) -> tuple[int, str, str]:
        monkeypatch.setattr(studies, "open_plant", lambda _: bench.plant(name))
        monkeypatch.setattr(StudyCommand, "load", (lambda self: bench.load(self, name)) if once else LOAD)
        capsys.readouterr()
        period = () if {"--day", "--from", "--week"} & set(words) else ODD[name].period
        code = main([command, *period, *words])
        return code, *capsys.readouterr()

    return go


CASES = pytest.mark.parametrize(
    ("name", "command"), [pytest.param(n, c.NAME, id=f"{c.NAME} on {n}") for n in ODD for c in STUDIES]
)


def refused(name: str, command: str) -> bool:
    """A period without events is refused; that the model has no sets is said before."""
    return name in NO_EVENTS and command != "sets"


@CASES
def test_an_odd_plant_gives_a_stated_result_or_a_stated_refusal(name, command, run):
    code, out, err = run(name, command)
    assert code == (2 if refused(name, command) else 0)
    assert "Traceback" not in err
    assert not BAD_WORD.search(out + err), BAD_WORD.search(out + err)
    assert all(len(row) <= 120 for row in out.splitlines())
    if code:
        assert (out, "do:" in err) == ("", True)


@CASES
def test_the_json_of_an_odd_plant_is_json_and_says_something(name, command, run):
    code, out, _ = run(name, command, "--format", "json")
    if code == 2:
        assert refused(name, command)
        return
    told = json.loads(out, parse_constant=lambda word: pytest.fail(f"{word} is no JSON"))
    assert told["findings"] or told["doubts"]
    for sentence in [*told["findings"], *told["doubts"], *told["cautions"]]:
        assert not BAD_WORD.search(sentence), sentence
        assert sentence.rstrip()[-1] in ".)", sentence


@CASES
def test_every_table_of_an_odd_plant_is_exported(name, command, run, bench, tmp_path):
    code, _, _ = run(name, command)
    if code == 2:
        return
    for table, frame in bench.done[command, name].tables.items():
        code, out, err = run(name, command, "--table", table, "--format", "csv")
        assert (code, err) == (0, "")
        read = pl.read_csv(io.StringIO(out), infer_schema=False) if frame.width else frame
        assert (read.columns, read.height) == (frame.columns, frame.height)
        assert not re.search(r"(^|,)(NaN|inf|-inf)(,|$)", out, re.MULTILINE)
        file = tmp_path / f"{table}.parquet"
        assert run(name, command, "--table", table, "--format", "parquet", "--output", str(file))[0] == 0
        assert pl.read_parquet(file).equals(frame)


@pytest.mark.parametrize("name", [n for n in ODD if n not in NO_EVENTS])
def test_the_account_of_an_odd_plant_closes(name, bench):
    (told,) = account(bench.plant(name), "a1", shift())
    assert told.difference_us == 0
    assert told.parts.difference == 0
    assert told.planned_busy_us == 8 * 3600 * 1_000_000
