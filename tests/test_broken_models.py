"""One folder per fault of plant.toml or a cell file, with the message that it must give.

`python -m tests.test_broken_models` rewrites every expected.txt; read the diff before committing it.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from analytics.book import open_plant
from ingest.errors import TaktbookError

FAULTS = sorted(p for p in (Path(__file__).parent / "broken_models").iterdir() if p.is_dir())


def message(folder: Path) -> str:
    """What the user is told on opening the plant and its cell; empty when nothing is wrong."""
    try:
        open_plant(folder).cell("a1")
    except TaktbookError as err:
        return f"{err}\n"
    return ""


@pytest.mark.parametrize("folder", FAULTS, ids=lambda p: p.name)
def test_a_fault_is_told_with_place_finding_and_remedy(folder):
    told = message(folder)
    assert told == (folder / "expected.txt").read_text(encoding="utf-8")
    assert "Traceback" not in told
    assert any(word in told for word in ("do:", "allowed:")), "says neither what is allowed nor what to do"


if __name__ == "__main__":
    for fault in FAULTS:
        (fault / "expected.txt").write_text(message(fault), encoding="utf-8")
