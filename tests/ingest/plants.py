"""Readable builders of tiny plant folders for the tests of ingest; no test in here."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from textwrap import dedent

import polars as pl

from ingest.load import LoadSummary, load
from ingest.store import Store

SOURCE = """
    cell = "c1"
    format = "text"
    files = ["inbox/*.log*"]

    [time]
    formats = ["%Y-%m-%d %H:%M:%S"]

    [read.patterns]
    line = '^(?P<time>\\S+ \\S+) (?P<who>\\w+) (?P<word>\\w+)(?: (?P<what>.*))?$'

    [words.station]
    PRS = "press"
    ROB = "robot"

    [[skip]]
    when = { word = "noise" }

    [[rules]]
    when = { word = "begin" }
    emit = [{ kind = "cycle_start", station = "{who:station}", part = "{what}" }]

    [[rules]]
    when = { word = "end" }
    emit = [
        { kind = "cycle_end", station = "{who:station}", part = "{what}" },
        { kind = "part_out", station = "{who:station}", part = "{what}" },
    ]
"""


def plant(
    folder: Path,
    logs: Mapping[str, str | bytes] | None = None,
    source: str = SOURCE,
    *,
    zone: str = "Europe/Berlin",
    day_start: str = "06:00",
    extra: str = "",
    name: str = "log",
) -> Path:
    """Write a plant folder with one source file and some logs (paths below the folder); returns the folder."""
    (folder / "sources").mkdir(parents=True, exist_ok=True)
    (folder / "plant.toml").write_text(f'zone = "{zone}"\nday_start = "{day_start}"\n{extra}', encoding="utf-8")
    (folder / "sources" / f"{name}.toml").write_text(dedent(source), encoding="utf-8")
    for path, content in (logs or {}).items():
        write(folder / path, content)
    return folder


def write(path: Path, content: str | bytes) -> None:
    """Write one log, text dedented."""
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(content if isinstance(content, bytes) else dedent(content).lstrip("\n").encode())


def loaded(folder: Path) -> tuple[LoadSummary, Store]:
    """Load everything and open the store."""
    return load(folder), Store.open(folder / "store")


def all_events(store: Store) -> pl.DataFrame:
    """Return all events of a store, ordered by cell, time and line."""
    frames = [store.events(cell, store.days(cell)) for cell in store.cells()]
    return pl.concat(frames).sort("cell", "ts_source", "file", "line", "kind") if frames else pl.DataFrame()


def events_of(folder: Path, source: str, log: str | bytes, file: str = "inbox/a.log", **kwargs: str) -> pl.DataFrame:
    """Return the events that one log gives by one source file."""
    return all_events(loaded(plant(folder, {file: log}, source, **kwargs))[1])


def reasons(store: Store) -> list[tuple[int, str]]:
    """Return (line, reason) of the quarantine."""
    return list(store.quarantine().select("line", "reason").iter_rows())
