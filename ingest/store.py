"""The only door to the Parquet store: what lies where in store/ is known here, in manifest.py and in facts_store.py.

store/manifest-00000007.json            which log files are in, in which parts
store/events/<cell>/<day>/<name>.parquet    events, ordered by ts_source
store/quarantine/<name>.parquet         lines that were not understood
store/facts/<cell>/<day>/               what analytics derived, see facts_store.py
store/incoming/                         a load under way; nothing in it counts
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Mapping
from datetime import date
from pathlib import Path

import polars as pl

from ingest import facts_store
from ingest.errors import StoreError
from ingest.events import SCHEMA, empty
from ingest.manifest import LoadedFile, Manifest, Part, read_manifest
from ingest.quarantine import QUARANTINE_SCHEMA


class Store:
    """One state of the store, as its manifest told when it was opened. A later load does not change it."""

    def __init__(self, folder: Path, manifest: Manifest) -> None:
        self.folder = folder
        self.manifest = manifest
        self._parts: dict[tuple[str, date], list[tuple[LoadedFile, Part]]] = {}
        for file in manifest.files:
            for part in file.parts:
                self._parts.setdefault((part.cell, part.day), []).append((file, part))

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

    def events(self, cell: str, days: Iterable[date]) -> pl.DataFrame:
        """Return a cell's events on some production days: SCHEMA columns, duplicates still in, in no promised order.

        Raises StoreError when a part is missing or broken.
        """
        files = self.event_files(cell, days)
        if not files:
            return empty()
        try:
            return pl.read_parquet(files, schema=SCHEMA)
        except (OSError, pl.exceptions.PolarsError) as err:
            raise StoreError(
                f"A part of the store cannot be read: {err}",
                where=str(self.folder),
                fix="Delete the store folder and load again: it can be rebuilt from the logs.",
            ) from err

    def event_files(self, cell: str, days: Iterable[date]) -> list[Path]:
        """Return the Parquet files of a cell on some days, in a fixed order."""
        chosen = sorted(set(days))
        return [
            self.folder / path for day in chosen for path in sorted(p.path for _, p in self._parts.get((cell, day), []))
        ]

    def fingerprint(self, cell: str, day: date) -> str:
        """Return a hash that changes with every change of the set of log files that the day's events come from."""
        told = sorted((f.source, f.digest, f.recipe, p.rows) for f, p in self._parts.get((cell, day), []))
        return hashlib.sha256(repr(told).encode()).hexdigest()[:32]

    def sources(self) -> list[LoadedFile]:
        """Return the loaded log files with their counts, ordered by source and file."""
        return sorted(self.manifest.files, key=lambda f: (f.source, f.file, f.digest))

    def quarantine(self) -> pl.DataFrame:
        """Return the lines that were not understood: source, file, line, reason, text, loaded_at, in that order."""
        files = [self.folder / f.quarantine for f in self.sources() if f.quarantine]
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

    def facts_key(self, cell: str, day: date) -> str | None:
        """Return the key under which the day's tables were written, None when there are none."""
        return facts_store.facts_key(self.folder, cell, day)

    def read_facts(self, cell: str, days: Iterable[date], table: str) -> pl.DataFrame | None:
        """Return a kept table of some days, one below the other in order of the days; None when none of them has it."""
        return facts_store.read_facts(self.folder, cell, days, table)
