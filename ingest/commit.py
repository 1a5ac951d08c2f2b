"""What a load has made comes to count: parts to their places, then the change in the manifest that names them."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Final

import polars as pl

from ingest import facts_store
from ingest.compact import merged, without
from ingest.content import head_of
from ingest.durable import remove, sync_files, sync_folders
from ingest.load_file import NewPart
from ingest.manifest import (
    Change,
    LoadedFile,
    Manifest,
    Name,
    Part,
    checkpoint,
    log_folder,
    write_change,
)

KEEP_RETIRED: Final = timedelta(hours=1)
"""So long may a reader, such as a report at work, go on with parts that a load has put others in the place of."""


class Batch:
    """Files that were read and do not count yet. After `commit` they do, all of them at once."""

    def __init__(self, store: Path, manifest: Manifest, incoming: Path) -> None:
        self.store, self.manifest, self.incoming = store, manifest, incoming
        self.change = Change()
        self.days: dict[tuple[str, date], int] = {}  # of all commits: the days that got events, and how many
        self._before = manifest
        self._moves: list[tuple[Path, str]] = []
        self._next = max(manifest.by_id, default=0) + 1
        self._taken = set(manifest.shown_names)
        self._heads: dict[str, dict[int, dict[str, set[int]]]] | None = None

    # ---- what is known, this batch included

    def name(self, shown: str) -> Name | None:
        """Return a file on the disk as it was last seen."""
        return self.change.names.get(shown) or self.manifest.by_path.get(shown)

    def file(self, id_: int) -> LoadedFile | None:
        """Return a log by its id."""
        return self.change.files.get(id_) or self.manifest.by_id.get(id_)

    def like(self, source: str, head: bytes) -> list[LoadedFile]:
        """Return the logs of a source whose first bytes are these."""
        if self._heads is None:
            self._heads = {}
            for record in self.manifest.by_id.values():
                self._note_head(record)
        sizes = self._heads.get(source, {})
        ids = {i for size, heads in sizes.items() if size <= len(head) for i in heads.get(head_of(head[:size]), ())}
        return [found for i in sorted(ids) if (found := self.file(i))]

    def _note_head(self, record: LoadedFile) -> None:
        if self._heads is not None and record.head_size:
            sizes = self._heads.setdefault(record.source, {})
            sizes.setdefault(record.head_size, {}).setdefault(record.head, set()).add(record.id)

    def free_name(self, shown: str) -> str:
        """Return the name by which events are to know a new log: that of its file, numbered if another log has it."""
        name, n = shown, 1
        while name in self._taken:
            n += 1
            name = f"{shown}~{n}"
        self._taken.add(name)
        return name

    # ---- what is new

    def add(self, record: LoadedFile, parts: list[NewPart], old: LoadedFile | None, keep: bool) -> LoadedFile:
        """Add a log, or put it in the place of `old`.

        keep: what `old` gave stays, but for its last line without an end.
        """
        if not record.id:
            record = replace(record, id=self._next)
            self._next += 1
        if old:
            mine = self.manifest.parts.filter(pl.col("id") == old.id)
            gone = mine.filter("torn") if keep else mine
            self.change.dropped |= set(gone.select("id", "path").iter_rows())
        stem = f"{record.source}-{record.id:06d}-{self.incoming.name}"
        for n, part in enumerate(parts):
            below = f"events/{part.cell}/{part.day}" if part.cell else "quarantine"
            path = f"{below}/{stem}-{len(self._moves) + n:05d}.parquet"
            self._moves.append((part.path, path))
            added = self.manifest.generation + 1
            self.change.parts.append(Part(record.id, part.cell, part.day, part.rows, path, added, part.torn))
            if part.cell and part.day:
                self.days[part.cell, part.day] = self.days.get((part.cell, part.day), 0) + part.rows
        self.change.files[record.id] = record
        self._note_head(record)
        return record

    def touches(self, id_: int) -> bool:
        """Is this log changed by the batch already?"""
        return id_ in self.change.files

    def reopened(self, cell: str, day: date) -> bool:
        """Had the day been closed: its facts made, and later days recorded?"""
        days = self._before.parts.filter((pl.col("cell") == cell) & (pl.col("day") >= day))["day"].unique()
        return bool((days > day).any()) and facts_store.facts_key(self.store, cell, day) is not None

    # ---- counting

    def commit(self, compact: bool) -> None:
        """Let the batch count; with `compact`, put the many small parts of its days together afterwards."""
        if self.change:
            shared = self.manifest.parts.filter(pl.col("path").is_in([path for _, path in self.change.dropped]))
            for part, path in without(self.store, shared, self.change.dropped, self.incoming):
                self._moves.append((path, part[0].path))
                self.change.parts += part
            self.change.dropped |= set(shared.select("id", "path").iter_rows())
            self._write()
        if compact and self.days:
            for old, new, path in merged(self.store, self.manifest.parts, self.days, self.incoming):
                self.change.dropped |= set(old.select("id", "path").iter_rows())
                self._moves.append((path, new[0].path))
                self.change.parts += new
                self._write()
        checkpoint(self.store, self.manifest)

    def _write(self) -> None:
        self.incoming.mkdir(parents=True, exist_ok=True)  # as long as it is there, an interruption can be seen
        folders = set()
        sync_files([old for old, _ in self._moves])
        for old, path in self._moves:
            target = self.store / path
            target.parent.mkdir(parents=True, exist_ok=True)
            os.replace(old, target)
            folders |= {target.parent, target.parent.parent}
        sync_folders(folders)
        now = datetime.now(UTC)
        dropped = {path for _, path in self.change.dropped}
        late = (now - KEEP_RETIRED).isoformat(timespec="seconds")
        removed = self.manifest.retired.filter(pl.col("at") < late)["path"].to_list()
        self.manifest = write_change(self.store, self.manifest, self.change, dropped, removed, now)
        self.change, self._moves = Change(), []
        for path in removed:
            remove(self.store / path)


def forget_interrupted(store: Path, manifest: Manifest) -> None:
    """Remove what a load left behind that was killed: nothing of it counts."""
    incoming = store / "incoming"
    if not incoming.is_dir():
        return
    counted = {*manifest.parts["path"], *manifest.retired["path"]}
    for path in _files(store):
        if path.relative_to(store).as_posix() not in counted:
            remove(path)
    for path in log_folder(store).glob("new-*"):
        if path.is_dir():
            shutil.rmtree(path, ignore_errors=True)
        else:
            remove(path)
    shutil.rmtree(incoming, ignore_errors=True)


def _files(store: Path) -> Iterator[Path]:
    for folder in ("events", "quarantine"):
        yield from (store / folder).rglob("*.parquet")
