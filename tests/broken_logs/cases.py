"""The folders of this folder: each is a small plant with one fault, and `expected.txt` says what the user must read."""

from __future__ import annotations

import shutil
from dataclasses import dataclass
from pathlib import Path

from ingest.errors import TaktbookError
from ingest.load import load
from ingest.store import Store

HERE = Path(__file__).parent


@dataclass(frozen=True)
class Case:
    """One faulty plant folder."""

    name: str
    folder: Path

    @property
    def expected(self) -> str:
        return (self.folder / "expected.txt").read_text(encoding="utf-8")


def outcome(case: Case, temp: Path) -> str:
    """Load a copy of the case's plant and return what a person reads: the error, or the counts and the quarantine."""
    plant = temp / "plant"
    shutil.copytree(case.folder, plant, ignore=shutil.ignore_patterns("expected.txt"))
    if not (plant / "plant.toml").exists():
        (plant / "plant.toml").write_text('zone = "Europe/Berlin"\nday_start = "06:00"\n', encoding="utf-8")
    try:
        summary = load(plant)
    except TaktbookError as err:
        left = [p.name for p in plant.glob("store/**/*")]
        return f"{err}\n" + (f"left in the store: {left}\n" if left else "")
    counts = "".join(f"{refused.problem}\n" for refused in summary.refused)
    counts += "".join(
        f"{f.file}: {f.record.lines} lines = {f.record.with_events} with events + {f.record.skipped} skipped"
        f" + {f.record.quarantined} quarantined\n"
        for f in summary.files
    )
    rows = Store.open(plant / "store").quarantine().select("file", "line", "reason", "text").iter_rows()
    return counts + "".join(
        f"{file}:{line}: {reason}\n" + (f"    {text}\n" if text else "") for file, line, reason, text in rows
    )


CASES = [Case(path.parent.name, path.parent) for path in sorted(HERE.glob("*/sources"))]
