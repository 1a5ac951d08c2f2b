"""What was fetched from a database, as Parquet files: each is whole or not there, and says how far it came."""

from __future__ import annotations

import hashlib
import json
import os
import secrets
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

import polars as pl
import pyarrow as pa
import pyarrow.parquet as pq

from ingest.durable import remove, sync_file, sync_folders
from ingest.errors import InputError

NOTE: Final = b"taktbook"  # the key of our note in a file's footer
_SEEDS: Final = (17, 4711)


@dataclass(frozen=True, slots=True)
class Known:
    """How far the spool came: the highest key (times as Arrow's number), a digest of a whole table, and the hashes of
    the rows with the last keys.
    """

    highest: int | str | None = None
    digest: str = ""
    window: list[int] = field(default_factory=list)


def row_hashes(rows: pl.DataFrame, seed: int = _SEEDS[0]) -> pl.Series:
    """Return a number per row that tells its content."""
    return rows.hash_rows(seed=seed)


class SpoolFile:
    """A file that is being written; nobody sees it before `keep`."""

    def __init__(self, folder: Path, origin: str) -> None:
        self.folder, self.origin = folder, origin
        self.path = folder.with_name(f"{folder.name}.new-{secrets.token_hex(4)}")
        self.rows = 0
        self._writer: Any = None
        self._sums = [0] * (2 * len(_SEEDS))

    def write(self, batch: pa.RecordBatch) -> None:
        """Add rows."""
        if not batch.num_rows:
            return
        batch = _readable(batch)
        if self._writer is None:
            self.folder.mkdir(parents=True, exist_ok=True)
            self._writer = pq.ParquetWriter(self.path, batch.schema, compression="zstd", write_page_checksum=True)
        self._writer.write_batch(batch)
        self.rows += batch.num_rows
        frame = pl.from_arrow(batch)
        assert isinstance(frame, pl.DataFrame)
        for n, seed in enumerate(_SEEDS):  # sums: a database gives the rows of a table in any order
            hashes = row_hashes(frame, seed)
            self._sums[2 * n] += int((hashes // 2**32).sum())
            self._sums[2 * n + 1] += int((hashes % 2**32).sum())

    @property
    def digest(self) -> str:
        """A hash of all rows in any order."""
        return hashlib.sha256(repr((self.rows, self._sums)).encode()).hexdigest() if self.rows else ""

    def keep(self, known: Known) -> None:
        """Put the file on the disk under the next name."""
        note = {"origin": self.origin, "highest": known.highest, "digest": known.digest, "window": known.window}
        self._writer.add_key_value_metadata({NOTE.decode(): json.dumps(note)})
        self._writer.close()
        self._writer = None
        sync_file(self.path)
        numbers = [int(path.name[:8]) for path in _files(self.folder)]
        os.rename(self.path, self.folder / f"{max(numbers, default=0) + 1:08d}.parquet")
        sync_folders([self.folder, self.folder.parent])

    def drop(self) -> None:
        """Remove what was not kept."""
        if self._writer is not None:
            self._writer.close()
        remove(self.path)


class SqlSpool:
    """The files of one source. `question` is what is asked: files that answer another one are no beginning of it."""

    def __init__(self, folder: Path, question: tuple[str | None, ...]) -> None:
        self.folder = folder
        self.origin = hashlib.sha256(repr(question).encode()).hexdigest()[:16]

    def known(self) -> Known:
        """Return how far the newest file came. Raises InputError when that file is damaged."""
        for left in self.folder.parent.glob(f"{self.folder.name}.new-*"):  # of a load that was killed
            remove(left)
        for path in sorted(_files(self.folder), reverse=True):
            try:
                note = json.loads((pq.read_metadata(path).metadata or {}).get(NOTE, b"{}"))
                if note.get("origin") == self.origin:
                    return Known(note["highest"], note["digest"], note["window"])
            except (pa.ArrowException, OSError, ValueError, KeyError) as err:
                raise InputError(
                    "This file of the spool cannot be read; it says how far the table was fetched.",
                    where=f"spool/{self.folder.name}/{path.name}",
                    fix="Put it back from a backup, or remove the folder: then all is fetched anew, and what is in the "
                    "store already does not count twice.",
                ) from err
        return Known()

    def start(self) -> SpoolFile:
        """Begin a file; what is not kept must be dropped."""
        return SpoolFile(self.folder, self.origin)


def _files(folder: Path) -> list[Path]:
    return [path for path in folder.glob("*.parquet") if path.name[:8].isdigit() and len(path.name) == 16]


def _readable(batch: pa.RecordBatch) -> pa.RecordBatch:
    """Return the batch with all text in UTF-8: an SQLite file and an SQL_ASCII database may hold other bytes."""
    try:
        batch.validate(full=True)
        return batch
    except pa.ArrowInvalid:
        return pa.RecordBatch.from_arrays([_decoded(column) for column in batch.columns], names=batch.schema.names)


def _decoded(column: pa.Array) -> pa.Array:
    if not (pa.types.is_string(column.type) or pa.types.is_large_string(column.type)):
        return column
    raw = column.cast(pa.large_binary() if pa.types.is_large_string(column.type) else pa.binary())
    words = [None if b is None else b.decode("utf-8", "taktbook_cp1252") for b in raw.to_pylist()]
    return pa.array(words, column.type)
