"""Every analysis on odd logs: a stated result or a stated refusal, never a traceback, and the account still closes."""

from __future__ import annotations

import json
from functools import cache
from pathlib import Path
from tempfile import mkdtemp
from typing import Any

import pytest

from analytics.account import account
from analytics.book import Plant
from app.commands.studies import STUDIES
from app.print_study import as_data, as_printed
from ingest.errors import TaktbookError
from tests.analytics.gating.test_chain import LINE, clock, line_log
from tests.logs import book, cell, log, shift

ONE = {"outlet": "press", "stations": [{"name": "press", "kind": "machine"}]}
UNPLANNED = [{"name": "dish", "takt_s": 10, "cycle_s": {}}]
NAMELESS = "\n".join(f"{clock(10 * n)} press starts\n{clock(10 * n + 8)} press ends" for n in range(20))
OVERLAPPING = line_log([10.0] * 12) + "\n06:00:20 press starts X1\n06:00:22 press starts X2\n06:00:30 press ends X1"
BACKWARDS = "\n06:00:20 pack in P1\n06:00:21 press in P1\n06:00:22 press starts P1"
ODD: dict[str, tuple[str, dict[str, Any]]] = {
    "one station": ("\n".join(r for r in line_log([10.0] * 12).splitlines() if "pack" not in r), ONE),
    "one part": (line_log([10.0]), LINE),
    "one event": ("06:00:00 press starts P1 product=dish", LINE),
    "no alarms": (line_log([10.0] * 20), LINE),
    "no part numbers": (NAMELESS, ONE),
    "no planned cycle": (line_log([10.0] * 12), LINE | {"products": UNPLANNED}),
    "unknown products": (line_log([10.0] * 12).replace("dish", "nobody"), LINE),
    "overlapping cycles": (OVERLAPPING, LINE),
    "backwards": (line_log([10.0] * 12) + BACKWARDS, LINE),
    "contradictory states": (
        "06:00:20 press state running\n06:00:20 press state stopped\n06:00:20 press state starved", LINE,
    ),
}  # fmt: skip
WINDOW = shift("06:00:00", "14:00:00")


@cache
def opened(name: str) -> Plant:
    text, model = ODD[name]
    return book(Path(mkdtemp()), log(text), None, cell(**model))


@pytest.mark.parametrize("name", ODD)
@pytest.mark.parametrize("command", STUDIES, ids=lambda c: c.NAME)
def test_an_odd_log_gives_a_stated_result_or_a_stated_refusal(command, name):
    plant = opened(name)
    study = command.load()(plant, "a1", WINDOW)
    assert study.findings or study.doubts
    for sentence in [*study.findings, *study.doubts, *study.cautions]:
        assert "None" not in sentence.split()
        assert "nan" not in sentence.replace(",", " ").split()
    json.dumps(as_data(plant, "a1", WINDOW, study, None), default=str)
    assert as_printed(plant, WINDOW, "title", study, None)


@pytest.mark.parametrize("name", ODD)
def test_the_account_of_an_odd_log_closes(name):
    (told,) = account(opened(name), "a1", WINDOW)
    assert told.difference_us == 0
    assert told.planned_busy_us == 8 * 3600 * 1_000_000


@pytest.mark.parametrize("command", STUDIES, ids=lambda c: c.NAME)
def test_a_period_in_which_nothing_was_planned_is_told(command):
    study = command.load()(opened("no alarms"), "a1", shift("20:00:00", "21:00:00"))
    assert study.findings or study.doubts


@pytest.mark.parametrize("command", STUDIES, ids=lambda c: c.NAME)
def test_a_station_that_does_not_exist_is_refused_with_the_names_that_do(command):
    with pytest.raises(TaktbookError, match="press"):
        command.load()(opened("no alarms"), "a1", WINDOW, station="pres")
