"""The commands of all analyses on odd plants: stated results, exports that machines can read, the account closed."""

from __future__ import annotations

import io
import json
import re
from argparse import Namespace
from functools import cache
from pathlib import Path
from typing import Any

import polars as pl
import pytest
from rich.console import Console

from analytics.account import Window, account
from analytics.study import Study
from app import cli
from app.commands import studies
from app.commands.studies import STUDIES, StudyCommand
from app.fitted_table import Column, FittedTable, fitting
from app.print_study import ROWS, as_printed, headings
from app.tables import give
from tests.app.odd_plants import NO_EVENTS, ODD
from tests.logs import DAY, at, shift

BAD_WORD = re.compile(r"(?<![\w-])(None|nan|NaN|inf|Infinity|null|NaT|e[-+]\d\d)(?![\w-])")
"""What a value that does not exist looks like when it was put into a sentence all the same."""


class Bench:
    """The odd plants, each opened once; an analysis of one is done once, whatever it is printed as."""

    def __init__(self, folder: Path) -> None:
        self.folder, self.plants, self.done = folder, {}, {}

    def plant(self, name: str) -> Any:
        if name not in self.plants:
            odd = ODD[name]  # two that differ in the period alone are one plant
            alike = [n for n in self.plants if n in ODD and (ODD[n].lines, ODD[n].cell) == (odd.lines, odd.cell)]
            folder = self.folder / str(len(self.plants))
            self.plants[name] = self.plants[alike[0]] if alike else odd.plant(folder)
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
PARSER = cache(cli.parser)  # building it anew for each of a thousand commands would take a fifth of the time
SHUFFLED = "regular, read in another order"


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Bench:
    return Bench(tmp_path_factory.mktemp("odd"))


@pytest.fixture
def run(bench, monkeypatch, capsys):
    """Run a command on an odd plant as a person would: exit code, what was printed, what the error stream says."""

    def go(name: str, command: str, *words: str, once: bool = True) -> tuple[int, str, str]:
        monkeypatch.setattr(cli, "parser", PARSER)
        monkeypatch.setattr(studies, "open_plant", lambda _: bench.plant(name))
        monkeypatch.setattr(StudyCommand, "load", (lambda self: bench.load(self, name)) if once else LOAD)
        capsys.readouterr()
        period = () if name not in ODD else ODD[name].period
        code = cli.main([command, *period, *words])
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
def test_every_table_of_an_odd_plant_is_exported_under_headings_that_differ(
    name, command, run, bench, tmp_path, capsys
):
    if run(name, command)[0] == 2:
        return
    for frame in bench.done[command, name].tables.values():
        said = headings(frame.columns)
        assert len(set(said)) == len(said), said
        give(Namespace(format="csv", output=None), [], {}, frame)
        out = capsys.readouterr().out
        assert not re.search(r"(^|,)(NaN|inf|-inf)(,|$)", out, re.MULTILINE)
        read = pl.read_csv(io.StringIO(out), infer_schema=False) if frame.width else frame
        assert (read.columns, read.height) == (frame.columns, frame.height)
        give(Namespace(format="parquet", output=str(tmp_path / "t.parquet")), [], {}, frame)
        assert pl.read_parquet(tmp_path / "t.parquet").equals(frame)


@pytest.mark.parametrize("command", STUDIES, ids=lambda c: c.NAME)
def test_every_table_can_be_asked_for_by_its_name(command, run, bench, tmp_path):
    run("regular", command.NAME)
    for table, frame in bench.done[command.NAME, "regular"].tables.items():
        code, out, err = run("regular", command.NAME, "--table", table, "--format", "csv")
        assert (code, err) == (0, "")
        assert out.splitlines()[0].split(",") == frame.columns
        file = tmp_path / f"{table}.parquet"
        code, _, _ = run("regular", command.NAME, "--table", table, "--format", "parquet", "--output", str(file))
        assert code == 0
        assert pl.read_parquet(file).equals(frame)


@pytest.mark.parametrize("name", [n for n in ODD if n not in NO_EVENTS and ODD[n].day == DAY])
def test_the_account_of_an_odd_plant_closes(name, bench):
    (told,) = account(bench.plant(name), "a1", shift())
    assert told.difference_us == 0
    assert told.parts.difference == 0
    assert told.planned_busy_us == 8 * 3600 * 1_000_000


@pytest.mark.parametrize("command", STUDIES, ids=lambda c: c.NAME)
def test_the_order_in_which_events_were_read_changes_no_byte(command, run, bench):
    if SHUFFLED not in bench.plants:
        mixed = ODD["regular"].plant(bench.folder / "shuffled", lambda e: e.sample(fraction=1, shuffle=True, seed=7))
        bench.plants[SHUFFLED] = mixed
    told = run("regular", command.NAME, "--format", "json")
    assert told[0] == 0
    assert run(SHUFFLED, command.NAME, *ODD["regular"].period, "--format", "json") == told


# ---- what is asked for wrongly


@pytest.mark.parametrize("command", STUDIES, ids=lambda c: c.NAME)
def test_a_name_that_the_cell_does_not_have_is_refused_with_those_it_has(command, run):
    code, out, err = run("regular", command.NAME, "--station", "pres", once=False)
    assert (code, out) == (2, "")
    assert "pres" in err
    assert "press" in err
    code, out, err = run("regular", command.NAME, "--product", "fish", once=False)
    assert (code, out) == (2, "")
    assert "fish" in err
    assert "dish" in err


def test_a_table_that_a_study_does_not_have_is_refused_with_those_it_has(run):
    code, out, err = run("regular", "cycles", "--table", "net_time")
    assert (code, out) == (2, "")
    assert "net_times" in err


def test_csv_of_several_tables_asks_which(run):
    code, out, err = run("regular", "cycles", "--format", "csv")
    assert (code, out) == (2, "")
    assert "which one?" in err
    assert "net_times" in err


def test_json_of_one_table_holds_this_table_alone(run):
    _, out, _ = run("regular", "cycles", "--format", "json", "--table", "net_times")
    assert list(json.loads(out)["tables"]) == ["net_times"]


def test_one_table_alone_is_printed_with_all_its_rows(run, bench):
    short, whole = run("regular", "alarms")[1], run("regular", "alarms", "--table", "per_ten_minutes")[1]
    height = bench.done["alarms", "regular"].tables["per_ten_minutes"].height
    assert height > ROWS
    assert f"({height - ROWS} more rows: --table per_ten_minutes)" in " ".join(short.split())
    assert len(re.findall(r"^\d\d:\d0:00", whole, re.MULTILINE)) == height
    assert "more rows" not in whole


def test_parquet_needs_a_file(run):
    code, _, err = run("regular", "cycles", "--table", "net_times", "--format", "parquet")
    assert code == 2
    assert "--output" in err


def test_the_hour_that_comes_twice_is_told_with_its_offset_and_no_other(bench):
    day = Window("day", at("06:00:00", "2026-10-24"), at("06:00:00", "2026-10-25"))
    assert day.to_us - day.from_us == 25 * 3600 * 1_000_000
    halves = pl.DataFrame({"at_us": [day.from_us + n * 1_800_000_000 for n in range(50)]})
    screen = Console(file=io.StringIO(), width=60)
    screen.print(*as_printed(bench.plant("regular"), day, "title", Study("s", [], {"t": halves}), "t"), sep="\n")
    told = [" ".join(row.split()) for row in screen.file.getvalue().splitlines() if re.match(r"\s*\d\d:\d\d", row)]
    assert len(told) == 50
    twice = ["02:00:00 +02:00", "02:30:00 +02:00", "02:00:00 +01:00", "02:30:00 +01:00"]
    assert [t for t in told if " " in t] == twice
    assert told[39:45] == ["01:30:00", *twice, "03:00:00"]


# ---- tables on a narrow screen


def test_a_table_without_room_names_the_columns_that_it_leaves_out():
    wide = [Column(name, name, ["12.3 %"] * 2, right=True, whole=True) for name in ("a", "b", "c", "x_low", "x_high")]
    places = Column("log lines", "log lines", ["press.log:17–19"] * 2, right=False, whole=False)
    assert fitting([*wide, places], 80) == [*wide, places]
    assert fitting([*wide, places], 59) == wide
    assert fitting([*wide, places], 40) == wide[:3]  # the ends of an interval go together
    screen = Console(file=io.StringIO(), width=40)
    screen.print(FittedTable("net_times", [*wide, places]))
    printed = " ".join(screen.file.getvalue().split())
    assert "no room for x_low, x_high, log lines: --table net_times --format csv has all columns" in printed


def test_where_a_ranked_row_stands_in_the_logs_is_told_below_the_table_when_it_has_no_room():
    rank = Column("rank", "rank", ["1", "1", "2", "3"], right=True, whole=True)
    what = Column("what", "what", ["fix the cause"] * 4, right=False, whole=False)
    places = Column("log lines", "log lines", ["press.log:17–19", "press.log:4", "cam.log:2", "–"], False, False)
    table = FittedTable("evidence", [rank, what, what, places], below="log lines")

    def printed(width: int) -> str:
        screen = Console(file=io.StringIO(), width=width)
        screen.print(table)
        return screen.file.getvalue()

    assert "log lines of rank" not in printed(80)
    narrow = printed(50)
    assert "log lines of rank 1: press.log:17–19, press.log:4\n" in narrow
    assert "log lines of rank 2: cam.log:2\n" in narrow
    assert "rank 3" not in narrow
    assert "no room" not in narrow


def test_of_an_analysis_with_many_tables_the_first_are_printed_and_the_others_named(bench):
    day = Window("day", at("06:00:00", "2026-10-22"), at("06:00:00", "2026-10-23"))
    tables = {f"t{n}": pl.DataFrame({"value_n": range(30)}) for n in range(10)}

    def printed(only: str | None) -> str:
        screen = Console(file=io.StringIO(), width=120)
        screen.print(*as_printed(bench.plant("regular"), day, "title", Study("s", ["found"], tables), only), sep="\n")
        return screen.file.getvalue()

    screen = printed(None)
    assert len(screen.splitlines()) < 100
    assert re.findall(r"^(t\d) \(\d+ more rows", screen, re.MULTILINE) == ["t0", "t1", "t2", "t3", "t4"]
    named = " ".join(screen.split()).partition("more tables, by --table NAME: ")[2]
    assert named.startswith("t5 (30 rows), t6 (30 rows), t7 (30 rows), t8 (30 rows), t9 (30 rows)")
    assert "more" not in printed("t9")
    assert len(re.findall(r"^ +\d+$", printed("t9"), re.MULTILINE)) == 30


def test_no_two_columns_are_headed_alike():
    assert headings(["line", "us", "line_share"]) == ["line", "time", "line share"]
    assert headings(["gate", "gate_share", "gate_n", "gate_us"]) == ["gate", "gate share", "gate count", "gate time"]
    assert headings(["us", "us_share"]) == ["time", "time share"]
