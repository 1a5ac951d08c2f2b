"""The only door to the Parquet store: what lies where in store/ is known here, in manifest.py and in facts_store.py.

store/log/00000007.json                 which log files are in, in which parts: a change per load
store/lock, lock.json                   one load at a time, and whose
store/events/<cell>/<day>/<name>.parquet    events, ordered by ts_source
store/quarantine/<name>.parquet         lines that were not understood
store/facts/<cell>/<day>/               what analytics derived, see facts_store.py
store/incoming/                         a load under way; nothing in it counts
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Mapping, Sequence
from datetime import date
from pathlib import Path

import polars as pl

from ingest import facts_store
from ingest.errors import StoreError
from ingest.event_file import read_events
from ingest.events import empty
from ingest.manifest import LoadedFile, Manifest, read_manifest
from ingest.quarantine import QUARANTINE_SCHEMA


class Store:
    """One state of the store, as its manifest told when it was opened. A later load does not change it."""

    def __init__(self, folder: Path, manifest: Manifest) -> None:
        self.folder = folder
        self.manifest = manifest
        self._parts: dict[tuple[str, date], list[str]] = {}
        self._prints: dict[tuple[str, date], str] | None = None
        events = manifest.parts.filter(pl.col("cell").is_not_null())
        days = events.select("cell", "day", "path").unique().sort("cell", "day", "path")
        for cell, day, path in days.iter_rows():
            self._parts.setdefault((cell, day), []).append(path)

    @classmethod
    def open(cls, folder: Path) -> Store:
        """Open the store in `folder`; a missing folder is an empty store. Raises StoreError when it is broken."""
        return cls(folder, read_manifest(folder))

    @property
    def generation(self) -> int:
        """The number of the manifest: grows with every load that changed something."""
        return self.manifest.generation

    def cells(self) -> list[str]:
        """Return the cells that have events, sorted."""
        return sorted({cell for cell, _ in self._parts})

    def days(self, cell: str) -> list[date]:
        """Return the production days of a cell that have events, sorted."""
        return sorted(day for name, day in self._parts if name == cell)

    def events(self, cell: str, days: Iterable[date], columns: Sequence[str] | None = None) -> pl.DataFrame:
        """Return a cell's events on some production days: SCHEMA columns, or some of them; duplicates still in, in no
        promised order.

        Raises StoreError when a part is missing or broken.
        """
        files = self.event_files(cell, days)
        if not files:
            return empty() if columns is None else empty().select(columns)
        try:
            return read_events(files, columns)
        except (OSError, pl.exceptions.PolarsError) as err:
            raise StoreError(
                f"A part of the store cannot be read: {err}",
                where=str(self.folder),
                fix="Delete the store folder and load again: it can be rebuilt from the logs.",
            ) from err

    def event_files(self, cell: str, days: Iterable[date]) -> list[Path]:
        """Return the Parquet files of a cell on some days, in a fixed order."""
        return [self.folder / path for day in sorted(set(days)) for path in self._parts.get((cell, day), [])]

    def fingerprint(self, cell: str, day: date) -> str:
        """Return a hash that changes with every change of the set of log files that the day's events come from."""
        if self._prints is None:
            parts = self.manifest.parts.filter(pl.col("cell").is_not_null())
            told = parts.join(self.manifest.files.select("id", "source", "recipe"), on="id", how="left")
            rows = told.group_by("cell", "day").agg(
                pl.concat_str("source", "recipe", "id", "added", "rows", separator=" ").sort().str.join("|")
            )
            self._prints = {(c, d): hashlib.sha256(t.encode()).hexdigest()[:32] for c, d, t in rows.iter_rows()}
        return self._prints.get((cell, day), hashlib.sha256(b"").hexdigest()[:32])

    def sources(self) -> list[LoadedFile]:
        """Return the loaded log files with their counts, ordered by source and file."""
        return sorted(self.manifest.by_id.values(), key=lambda f: (f.source, f.file, f.id))

    def file_days(self) -> pl.DataFrame:
        """Return which cells and production days each log has events in: source, file, cell, day."""
        parts = self.manifest.parts.filter(pl.col("cell").is_not_null()).select("id", "cell", "day").unique()
        return parts.join(self.manifest.files.select("id", "source", "file"), on="id").select(
            "source", "file", "cell", "day"
        )

    def refused(self) -> pl.DataFrame:
        """Return the files that could not be used when they were last tried: file, problem, at."""
        refused = self.manifest.names.filter(pl.col("id") == 0).sort("path")
        return refused.select(
            file="path", problem="problem", at=pl.from_epoch("seen_ns", "ns").dt.replace_time_zone("UTC")
        )

    def path_of(self, file: str) -> str:
        """Return under which name a log, as events name it, was last seen on the disk: rotation renames logs."""
        ids = self.manifest.files.filter(pl.col("file") == file)["id"]
        names = self.manifest.names.filter(pl.col("id").is_in(ids.to_list())).sort("seen_ns", "path")
        return str(names["path"][-1]) if names.height else file

    def quarantine(self) -> pl.DataFrame:
        """Return the lines that were not understood: source, file, line, reason, text, loaded_at, in that order."""
        files = [self.folder / path for path in self.manifest.parts.filter(pl.col("cell").is_null())["path"]]
        if not files:
            return pl.DataFrame(schema=QUARANTINE_SCHEMA)
        return pl.read_parquet(files, schema=QUARANTINE_SCHEMA).sort("source", "file", "line")

    # ---- facts, which analytics derives and keeps here

    def fact_path(self, cell: str, day: date, table: str) -> Path:
        """Return the Parquet file of a kept table. Raises StoreError when it was not written."""
        return facts_store.fact_path(self.folder, cell, day, table)

    def write_facts(self, cell: str, day: date, key: str, tables: Mapping[str, pl.DataFrame]) -> None:
        """Keep the tables of one cell and day under a key, in the place of those that are there; all or none."""
        facts_store.write_facts(self.folder, cell, day, key, tables)

    def rekey_facts(self, cell: str, day: date, key: str) -> None:
        """Let the tables that are kept count under another key: what has changed does not change them."""
        facts_store.rekey_facts(self.folder, cell, day, key)

    def facts_key(self, cell: str, day: date) -> str | None:
        """Return the key under which the day's tables were written, None when there are none."""
        return facts_store.facts_key(self.folder, cell, day)

    def read_facts(
        self, cell: str, days: Iterable[date], table: str, where: pl.Expr | None = None
    ) -> pl.DataFrame | None:
        """Return a kept table of some days, one below the other in order of the days; None when none of them has it."""
        return facts_store.read_facts(self.folder, cell, days, table, where)
