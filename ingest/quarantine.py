"""The quarantine: what was not understood, with file, line and reason."""

from __future__ import annotations

from typing import Final

import polars as pl

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

TORN = "line is torn: the file ends without an end of line"
EMPTY_FILE = "the file is empty"


def torn(bad: pl.DataFrame, last_line: int) -> pl.DataFrame:
    """Give the last line of a file that ends without an end of line its true reason, if it was not understood."""
    is_last = pl.col("line") == last_line
    return bad.with_columns(reason=pl.when(is_last).then(pl.lit(TORN)).otherwise("reason"))


def empty_file() -> pl.DataFrame:
    """Return the entry for a file without a byte in it: it is no error of a line, so its line is 0."""
    return pl.DataFrame([(0, EMPTY_FILE, "")], schema=BAD_SCHEMA, orient="row")


def entries(bad: pl.DataFrame, source: str, file: str, loaded_at: str) -> pl.DataFrame:
    """Return the quarantine's rows for bad lines (line, reason, text) of one file."""
    at = pl.lit(loaded_at).str.to_datetime("%Y-%m-%dT%H:%M:%S%z", time_unit="us", time_zone="UTC")
    return bad.select(
        pl.lit(source).alias("source"), pl.lit(file).alias("file"), "line", "reason", "text", at.alias("loaded_at")
    ).sort("line")  # fmt: skip
