"""The store's manifest: which log files are in it, in which parts. A reader takes one and keeps it.

It is a log of changes, log/00000042.json, each written whole and numbered through. Now and then the state as a whole
is written beside them, log/00000064.state/, so that years of loads are read in a moment. A change counts from the
moment it has its name.
"""

from __future__ import annotations

import json
import os
import shutil
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, fields
from datetime import date, datetime
from functools import cached_property
from pathlib import Path
from typing import Any, Final, get_type_hints

import polars as pl

from ingest.durable import remove, sync_files, sync_folders, write_frame, write_whole
from ingest.errors import StoreError

VERSION: Final = 2
CHECKPOINT: Final = 64


@dataclass(frozen=True, slots=True)
class Part:
    """What one log has in one Parquet file: events of a cell and production day, or (cell and day None) its bad lines.

    A part that several log files share was made by compacting. `added` is the generation in which the rows came in.
    `torn`: they are of a last line that had no end yet; they go when the file has grown.
    """

    id: int
    cell: str | None
    day: date | None
    rows: int
    path: str
    added: int
    torn: bool = False


@dataclass(frozen=True, slots=True)
class LoadedFile:
    """One log that is in the store, under the name it had when it came; its content is what it is known by.

    lines = with_events + skipped + quarantined, always. `faults` counts what was wrong with the file as a whole.
    `recipe` stands for the source file and the plant's keys by which it was mapped. `size` bytes of whole lines have
    the hash `digest`; with a last line that has no end (`torn` says what became of it), `full_size` and `full_digest`.
    """

    id: int
    source: str
    file: str
    recipe: str
    head_size: int
    head: str
    size: int
    digest: str
    full_size: int
    full_digest: str
    mark_pieces: int
    mark_link: str
    lines: int
    with_events: int
    skipped: int
    quarantined: int
    faults: int
    events: int
    loaded_at: str
    torn: str = ""
    torn_events: int = 0


@dataclass(frozen=True, slots=True)
class Name:
    """A file as it lay on the disk when it was last looked at: which log it is, or why it was refused."""

    path: str
    size: int
    mtime_ns: int
    seen_ns: int
    id: int  # 0: refused
    recipe: str = ""  # of a refused file
    problem: str = ""


@dataclass
class Change:
    """What one step of a load does to the manifest."""

    files: dict[int, LoadedFile] = field(default_factory=dict)
    parts: list[Part] = field(default_factory=list)
    dropped: set[tuple[int, str]] = field(default_factory=set)  # (id, path) of parts
    names: dict[str, Name] = field(default_factory=dict)

    def __bool__(self) -> bool:
        return bool(self.files or self.parts or self.dropped or self.names)


def _schema(row: type) -> pl.Schema:
    types = {"int": pl.Int64(), "str": pl.String(), "bool": pl.Boolean(), "date": pl.Date()}
    hints = get_type_hints(row)
    names = [f.name for f in fields(row)]
    return pl.Schema({n: next(t for word, t in types.items() if word in str(hints[n])) for n in names})


TABLES: Final = {
    "files": _schema(LoadedFile),
    "parts": _schema(Part),
    "names": _schema(Name),
    "retired": pl.Schema({"path": pl.String(), "at": pl.String()}),
}


class Manifest:
    """One state: frames of LoadedFile (`files`), Part (`parts`), Name (`names`), and the parts that nobody needs any
    more (`retired`: path, at).
    """

    def __init__(self, generation: int = 0, tables: dict[str, pl.DataFrame] | None = None) -> None:
        tables = tables or {name: pl.DataFrame(schema=schema) for name, schema in TABLES.items()}
        self.generation = generation
        self.tables = tables
        self.files, self.parts, self.names, self.retired = (tables[name] for name in TABLES)

    @cached_property
    def by_path(self) -> dict[str, Name]:
        """The files on the disk as they were last seen."""
        return {row[0]: Name(*row) for row in self.names.iter_rows()}

    @cached_property
    def by_id(self) -> dict[int, LoadedFile]:
        """The logs that are in the store."""
        return {row[0]: LoadedFile(*row) for row in self.files.iter_rows()}

    @cached_property
    def shown_names(self) -> frozenset[str]:
        """The names that events know their files by."""
        return frozenset(self.files["file"])

    def after(self, data: dict[str, Any]) -> Manifest:
        """Return the state after a change, as it stands in the log."""
        new = {name: pl.DataFrame(data[name], schema=TABLES[name], orient="row") for name in ("files", "names")}
        parts = pl.DataFrame(
            [[*p[:2], p[2] and date.fromisoformat(p[2]), *p[3:]] for p in data["parts"]],
            schema=TABLES["parts"],
            orient="row",
        )
        dropped = pl.DataFrame(data["dropped"], schema={"id": pl.Int64, "path": pl.String}, orient="row")
        kept = self.parts.join(dropped, on=["id", "path"], how="anti", maintain_order="left")
        retired = pl.DataFrame(
            {"path": data["retired"], "at": [data["at"]] * len(data["retired"])}, schema=TABLES["retired"]
        )
        removed = pl.DataFrame({"path": data["removed"]}, schema={"path": pl.String})
        following = Manifest(
            data["generation"],
            {
                "files": pl.concat([self.files.join(new["files"], on="id", how="anti"), new["files"]]),
                "parts": pl.concat([kept, parts]),
                "names": pl.concat([self.names.join(new["names"], on="path", how="anti"), new["names"]]),
                "retired": pl.concat([self.retired.join(removed, on="path", how="anti"), retired]),
            },
        )
        # What was looked up here need not be made from years of rows again.
        if "by_path" in self.__dict__:
            following.__dict__["by_path"] = self.by_path | {row[0]: Name(*row) for row in data["names"]}
        if "by_id" in self.__dict__:
            following.__dict__["by_id"] = self.by_id | {row[0]: LoadedFile(*row) for row in data["files"]}
        return following


def log_folder(store: Path) -> Path:
    """Return where the changes lie."""
    return store / "log"


def read_manifest(store: Path, known: Manifest | None = None) -> Manifest:
    """Return the newest state of a store; an empty one when there is no store. `known`: a state read before.

    Raises StoreError when it is broken or from another version.
    """
    for _ in range(20):
        try:
            return _read(store, known)
        except FileNotFoundError:
            continue  # a load has just tidied up behind a new state
    raise StoreError("The manifest changes all the time.", where=str(store), fix="Try again.")


def _read(store: Path, known: Manifest | None) -> Manifest:
    if any(store.glob("manifest-*.json")):
        raise _other_version(store, "1")
    names = sorted(os.listdir(log_folder(store))) if log_folder(store).is_dir() else []
    changes = {int(n[:8]): n for n in names if n.endswith(".json") and n[:8].isdigit()}
    states = [int(n[:8]) for n in names if n.endswith(".state") and n[:8].isdigit()]
    newest = max(changes, default=max(states, default=0))
    start = max(states, default=0)
    if known is not None and start <= known.generation <= newest:
        manifest = known
    elif start:
        manifest = _state(store, start)
    else:
        manifest = Manifest()
    for generation in range(manifest.generation + 1, newest + 1):
        if generation not in changes:
            raise StoreError(
                f"Change {generation} of the manifest is missing.", where=str(log_folder(store)), fix=_REBUILD
            )
        manifest = manifest.after(_change(log_folder(store) / changes[generation]))
    return manifest


def _change(path: Path) -> dict[str, Any]:
    try:
        data = json.loads(path.read_bytes())
    except FileNotFoundError:
        raise
    except (OSError, ValueError) as err:
        raise StoreError(f"The manifest cannot be read: {err}", where=str(path), fix=_REBUILD) from err
    version = data.get("version") if isinstance(data, dict) else None
    if version != VERSION:
        raise _other_version(path, str(version))
    return dict(data)


def _state(store: Path, generation: int) -> Manifest:
    folder = log_folder(store) / f"{generation:08d}.state"
    try:
        tables = {name: pl.read_parquet(folder / f"{name}.parquet") for name in TABLES}
    except FileNotFoundError:
        raise
    except (OSError, pl.exceptions.PolarsError) as err:
        raise StoreError(f"The manifest cannot be read: {err}", where=str(folder), fix=_REBUILD) from err
    if any(frame.schema != TABLES[name] for name, frame in tables.items()):
        raise _other_version(folder, "unknown")
    return Manifest(generation, tables)


def write_change(
    store: Path, manifest: Manifest, change: Change, retired: Iterable[str], removed: Sequence[str], at: datetime
) -> Manifest:
    """Write a change; it counts from the moment it has its name. The caller holds the lock. Returns the new state."""
    data = {
        "version": VERSION,
        "generation": manifest.generation + 1,
        "at": at.isoformat(timespec="seconds"),
        "files": [_row(f) for f in change.files.values()],
        "parts": [[str(v) if isinstance(v, date) else v for v in _row(p)] for p in change.parts],
        "dropped": sorted(change.dropped),
        "names": [_row(n) for n in change.names.values()],
        "retired": sorted(retired),
        "removed": sorted(removed),
    }
    folder = log_folder(store)
    if not folder.is_dir():
        folder.mkdir(parents=True)
        sync_folders([store])
    write_whole(folder / f"{data['generation']:08d}.json", json.dumps(data, ensure_ascii=False))
    return manifest.after(data)


def _row(one: LoadedFile | Part | Name) -> list[Any]:
    return [getattr(one, f.name) for f in fields(one)]


def checkpoint(store: Path, manifest: Manifest) -> None:
    """Write the state as a whole now and then, and tidy up what lies before the one before it."""
    folder = log_folder(store)
    target = folder / f"{manifest.generation:08d}.state"
    if not manifest.generation or manifest.generation % CHECKPOINT or target.exists():
        return
    new = folder / f"new-{os.getpid()}"
    shutil.rmtree(new, ignore_errors=True)
    new.mkdir()
    for name, frame in manifest.tables.items():
        write_frame(frame, new / f"{name}.parquet")
    sync_files(list(new.iterdir()))
    sync_folders([new])
    new.rename(target)
    sync_folders([folder])
    for path in folder.iterdir():
        if path.name[:8].isdigit() and int(path.name[:8]) < manifest.generation - CHECKPOINT:
            if path.is_dir():
                shutil.rmtree(path, ignore_errors=True)
            else:
                remove(path)


def _other_version(path: Path, found: str) -> StoreError:
    return StoreError(
        "The store was written by another version.", where=str(path), found=found, allowed=str(VERSION), fix=_REBUILD
    )


_REBUILD = "Delete the store folder and load again: it can be rebuilt from the logs."
