"""How events are written to one Parquet file, and read again.

A file holds the columns of events.SCHEMA that are not empty in it; whoever reads it puts the others in as nulls.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Final

import polars as pl
import pyarrow as pa
import pyarrow.parquet as pq

from ingest.durable import open_new
from ingest.events import SCHEMA

# Times and numbers that grow from row to row: their differences are small, which this encoding stores in a few bits.
_GROWING: Final = {"ts_source", "seq", "line"}


def write_events(runs: Sequence[pl.DataFrame], path: Path, more: Sequence[str] = ()) -> None:
    """Write runs of events, each ordered by ts_source, one behind the other. Enum columns become plain strings with a
    dictionary. `more`: names of columns that stand behind those of SCHEMA.

    Written by pyarrow, which lets us choose the encoding per column: quicker, smaller, and quicker to read.
    """
    filled = [n for n in SCHEMA if any(run[n].null_count() < run.height for run in runs)]
    tables = [run.select(*filled, *more).to_arrow() for run in runs]
    dictionary = [name for name in filled if isinstance(runs[0].schema[name], pl.Enum)]
    with (
        open_new(path) as file,
        pq.ParquetWriter(
            file,
            tables[0].schema,
            compression={n: "none" if n in dictionary else "zstd" for n in tables[0].column_names},
            compression_level={n: 1 for n in tables[0].column_names if n not in dictionary},
            use_dictionary=dictionary,  # their codes are a few bits each already
            column_encoding=dict.fromkeys(_GROWING & set(filled), "DELTA_BINARY_PACKED"),
            write_statistics=["ts_source"],  # by which readers skip what they do not need
            store_schema=False,
        ) as writer,
    ):
        writer.write_table(pa.concat_tables(tables))


def read_events(paths: Sequence[Path], columns: Sequence[str] | None = None) -> pl.DataFrame:
    """Read files of events: SCHEMA columns, or some of them.

    Raises OSError or PolarsError when one is missing or broken.
    """
    events = pl.scan_parquet(list(paths), schema=SCHEMA, missing_columns="insert", extra_columns="ignore")
    return (events if columns is None else events.select(columns)).collect()
