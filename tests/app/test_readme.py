"""The README cannot go stale: what it lists is what there is."""

from __future__ import annotations

import re
import subprocess
from pathlib import Path

import pytest

from analytics.cell import Cell, SourceLimit
from analytics.lines import LINES
from analytics.plant import PlantFile, Privacy

ROOT = Path(__file__).parents[2]
README = (ROOT / "README.md").read_text(encoding="utf-8")


@pytest.mark.parametrize("line", LINES, ids=lambda line: line.name)
def test_every_line_of_the_account_is_explained(line):
    words = README.split("| line | what it holds |")[1].split("\n\n")[0]
    assert re.search(rf"^\|.*\b{re.escape(line.title)}\b.*\|.*\|$", words, flags=re.M)


@pytest.mark.parametrize(
    ("key", "default"),
    [
        *((f"`{key}`", f"{Cell.model_fields[key].default:g}") for key in
          ("micro_stop_s", "silent_stop_s", "start_up_parts", "restart_after_s", "lost_after_h")),
        ("`day_start`", f"`{PlantFile.model_fields['day_start'].default:%H:%M}`"),
        ("`privacy.operators`", f"`{Privacy().operators}`"),
    ],
)  # fmt: skip
def test_the_defaults_of_settings_are_those_of_the_model(key, default):
    row = next(line for line in README.splitlines() if f"| {key} |" in line)
    assert row.split("|")[3].split()[0] == default


def test_the_silence_limit_has_no_default():
    """Nobody but the plant knows how long a source may be silent; tests/broken_models holds who must say so."""
    assert SourceLimit.model_fields["silence_s"].default is None
    assert "| `sources.silence_s` | – |" in README


def test_make_help_lists_every_task():
    told = subprocess.run(["make", "-s", "help"], cwd=ROOT, capture_output=True, text=True, check=True).stdout
    assert [line.split()[0] for line in told.splitlines()] == [
        "help",
        "setup",
        "demo",
        "test",
        "bench",
        "endurance",
        "lint",
        "types",
    ]
