"""The quarantine: what was not understood, with file, line and reason."""

from __future__ import annotations

from contextlib import ExitStack
from datetime import UTC, datetime
from pathlib import Path
from typing import Final

import polars as pl
import pyarrow.parquet as pq

from ingest.durable import open_new
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
    """Writes the bad lines of one log, a row group per block, so that even a file of nothing else fits in memory."""

    def __init__(self, path: Path, source: str, file: str) -> None:
        self.path, self.source, self.file = path, source, file
        self.at = datetime.now(UTC).replace(microsecond=0)
        self.written = 0
        self._open = ExitStack()
        self._writer: pq.ParquetWriter | None = None

    def about_file(self, reason: str) -> None:
        """Add an entry about the file as a whole."""
        self.add(pl.DataFrame([(0, reason, "")], schema=BAD_SCHEMA, orient="row"))

    def add(self, bad: pl.DataFrame) -> None:
        """Add bad lines (BAD_SCHEMA) of the next block."""
        if not bad.height:
            return
        rows = (
            bad.sort("line")
            .select(
                pl.lit(self.source).alias("source"),
                pl.lit(self.file).alias("file"),
                *BAD_SCHEMA.names(),
                pl.lit(self.at, QUARANTINE_SCHEMA["loaded_at"]).alias("loaded_at"),
            )
            .to_arrow()
        )
        if self._writer is None:
            file = self._open.enter_context(open_new(self.path))
            writer = pq.ParquetWriter(file, rows.schema, compression="zstd", store_schema=False)
            self._writer = self._open.enter_context(writer)
        self._writer.write_table(rows)
        self.written += bad.height

    def close(self) -> None:
        """Finish the file."""
        self._open.close()
