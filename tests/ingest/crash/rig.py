"""What the tests of crashes share: a process that loads and can be made to fail, and what a sound store is."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import polars as pl

from ingest.load import load
from ingest.store import Store
from tests.ingest.plants import plant
from tests.ingest.test_growing_logs import grow, lines

HERE = Path(__file__).parent
Run = Callable[..., dict[str, Any]]


def driver(*, preload: Path | None = None) -> Iterator[Run]:
    env = os.environ | ({"LD_PRELOAD": str(preload)} if preload else {})
    process = subprocess.Popen(
        [sys.executable, "-m", "tests.ingest.crash.driver"],
        stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, env=env, cwd=HERE.parents[2],
    )  # fmt: skip
    assert process.stdin
    assert process.stdout

    def run(folder: Path, **order: Any) -> dict[str, Any]:
        process.stdin.write(json.dumps({"plant": str(folder), **order}) + "\n")  # type: ignore[union-attr]
        process.stdin.flush()  # type: ignore[union-attr]
        answer: dict[str, Any] = json.loads(process.stdout.readline())  # type: ignore[union-attr]
        return answer

    yield run
    process.stdin.close()
    process.wait(10)


def sound(folder: Path) -> None:
    """Whoever opens the store now finds a whole one."""
    store = Store.open(folder / "store")
    rows = sum(store.events(cell, store.days(cell)).height for cell in store.cells())
    assert rows == store.manifest.parts.filter(pl.col("cell").is_not_null())["rows"].sum()
    assert rows == sum(record.events for record in store.sources())
    assert store.quarantine().height == sum(record.quarantined + record.faults for record in store.sources())
    assert all(r.lines == r.with_events + r.skipped + r.quarantined for r in store.sources())


def remains(folder: Path) -> list[str]:
    """Files in the store that do not count."""
    store = Store.open(folder / "store")
    counted = {*store.manifest.parts["path"], *store.manifest.retired["path"]}
    found = [p for p in (folder / "store").rglob("*") if p.is_file()]
    kept = [
        p for p in found if p.parent.name != "log" and p.parent.suffix != ".state" and not p.name.startswith("lock")
    ]
    odd = [p for p in found if p.name.startswith("new-")]
    return [str(p) for p in kept if p.relative_to(folder / "store").as_posix() not in counted] + [str(p) for p in odd]


def busy_plant(folder: Path) -> tuple[Path, bytes]:
    """A plant that was loaded, and whose logs have grown, turned over and come anew since; and what they hold."""
    plant(folder, {"inbox/a.log": lines(0, 40), "inbox/b.log": lines(40, 60) + b"???\n"})
    load(folder)
    grow(folder / "inbox/a.log", lines(60, 90) + b"!!!\n")
    (folder / "inbox/b.log").rename(folder / "inbox/b.log.1")
    grow(folder / "inbox/b.log.1", lines(90, 100))
    grow(folder / "inbox/b.log", lines(100, 120) + b"2026-10-24 08:00:00 ROB end P7\n")
    return folder, lines(0, 120) + b"???\n!!!\n2026-10-24 08:00:00 ROB end P7\n"
