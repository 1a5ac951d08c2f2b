"""The quarantine: what was not understood, with file, line and reason."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import Final

import polars as pl
import pyarrow.parquet as pq

from ingest.raw import BAD_SCHEMA

QUARANTINE_SCHEMA: Final = pl.Schema(
    {
        "source": pl.String(),
        "file": pl.String(),
        "line": pl.Int64(),  # 0: the file as a whole
        "reason": pl.String(),
        "text": pl.String(),
        "loaded_at": pl.Datetime("us", "UTC"),
    }
)

TORN: Final = "line is torn: the file ends without an end of line"
EMPTY_FILE: Final = "the file is empty"


class QuarantineFile:
    """Writes the bad lines of one log file, a row group per block, so that even a file of nothing else fits in memory.

    The last entries are held back until it is known whether the file's last line is torn.
    """

    def __init__(self, path: Path, source: str, file: str) -> None:
        self.path, self.source, self.file = path, source, file
        self.at = datetime.now(UTC).replace(microsecond=0)
        self.rows = 0  # bad lines
        self.faults = 0  # entries about the file as a whole
        self._held: pl.DataFrame | None = None
        self._writer: pq.ParquetWriter | None = None

    def add(self, bad: pl.DataFrame) -> None:
        """Add bad lines (BAD_SCHEMA) of the next block."""
        if bad.height:
            self._write()
            self.rows += bad.height
            self._held = bad.sort("line")

    def close(self, torn_line: int | None, empty: bool) -> None:
        """Finish the file; `torn_line`: number of the last line if it has no end; if it is bad, that is the reason."""
        if empty:
            self.faults = 1
            self._held = pl.DataFrame([(0, EMPTY_FILE, "")], schema=BAD_SCHEMA, orient="row")
        if self._held is not None and torn_line is not None:
            torn = pl.when(pl.col("line") == torn_line).then(pl.lit(TORN)).otherwise("reason")
            self._held = self._held.with_columns(reason=torn)
        self._write()
        if self._writer is not None:
            self._writer.close()

    def _write(self) -> None:
        if self._held is None:
            return
        rows = self._held.select(
            pl.lit(self.source).alias("source"),
            pl.lit(self.file).alias("file"),
            *BAD_SCHEMA.names(),
            pl.lit(self.at, QUARANTINE_SCHEMA["loaded_at"]).alias("loaded_at"),
        ).to_arrow()
        if self._writer is None:
            self._writer = pq.ParquetWriter(self.path, rows.schema, compression="zstd", store_schema=False)
        self._writer.write_table(rows)
        self._held = None
