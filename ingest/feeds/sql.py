"""Tables of a database, fetched whenever a load begins: rows with a higher key than before, or a table that changed."""

from __future__ import annotations

from collections.abc import Iterable
from contextlib import closing
from typing import Final

import polars as pl
import pyarrow as pa
from pydantic import BaseModel, ConfigDict, Field, model_validator

from ingest.errors import InputError
from ingest.feeds.secret import password
from ingest.feeds.spool import spool_folder
from ingest.feeds.sql_database import Question, database_of
from ingest.feeds.sql_patience import patiently
from ingest.feeds.sql_spool import Known, SqlSpool, row_hashes
from ingest.plant_folder import PlantFolder
from ingest.progress import Progress

NAME: Final = "sql"
FILE_ROWS: Final = 1_000_000


class Options(BaseModel):
    """`[receive]` with by = "sql"."""

    model_config = ConfigDict(extra="forbid", strict=True)

    uri: str = Field(description='the database: uri = "sqlite:data/host.sqlite" or "postgresql://user@host:5432/name"')
    table: str | None = Field(None, description='the table or view that is read: table = "orders" or "schema.orders"')
    query: str | None = Field(None, description='in place of a table: query = "select …"')
    key: str | None = Field(None, description="the column that grows with each row: only rows above are fetched")
    overlap: int = Field(
        0, description="so many of the last keys are looked at again, for rows that come late", ge=0, le=10_000
    )
    password_env: str | None = Field(None, description="the variable of the environment that holds the password")
    password_file: str | None = Field(None, description="the file that holds the password, which others cannot read")
    timeout_s: int = Field(30, description="so many seconds the database may be silent", ge=1, le=86_400)

    @model_validator(mode="after")
    def _fits(self) -> Options:
        if (self.table is None) == (self.query is None):
            raise ValueError("a table or a query is needed, and only one of them")
        if self.overlap and self.key is None:
            raise ValueError("overlap counts keys: it needs a key")
        if self.password_env is not None and self.password_file is not None:
            raise ValueError("the password stands in password_env or in password_file, not in both")
        return self


def pull(name: str, options: Options, folder: PlantFolder, progress: Progress) -> int:
    """Write the rows that are new to Parquet files below the plant's spool/<name>/; returns how many.

    Each file is on the disk as a whole or not at all, and says itself how far it came: neither a crash nor a database
    that went away loses or doubles a row. Raises InputError when the database cannot be read.
    """
    where = f"sources/{name}.toml, receive"
    secret = password(name, folder.root, options.password_env, options.password_file)
    database = database_of(options.uri, secret, folder.root, where, options.timeout_s)
    spool = SqlSpool(spool_folder(folder.root, name), (options.table, options.query, options.key))
    known = spool.known()
    question = Question(options.table, options.query, options.key, known.highest, options.overlap)
    with closing(patiently(lambda: database.rows(question), options.timeout_s, database.silent)) as batches:
        if options.key is None:
            rows = _whole(spool, known, batches, name, progress)
        else:
            rows = _above(spool, _Pulled(known, options.key, options.overlap, where), batches, name, progress)
    return rows


def _whole(spool: SqlSpool, known: Known, batches: Iterable[pa.RecordBatch], name: str, progress: Progress) -> int:
    """Write a table as a whole, unless it is as it was."""
    file = spool.start()
    try:
        for batch in batches:
            file.write(batch)
            progress(f"fetch {name}", file.rows, None)
        if not file.rows or file.digest == known.digest:
            return 0
        file.keep(Known(digest=file.digest))
    finally:
        file.drop()
    return file.rows


def _above(spool: SqlSpool, pulled: _Pulled, batches: Iterable[pa.RecordBatch], name: str, progress: Progress) -> int:
    """Write the rows that were not there before; a long answer goes to several files, each of which counts."""
    rows = 0
    file = spool.start()
    try:
        for batch in batches:
            full = file.rows >= FILE_ROWS and pulled.may_stop
            same = pulled.same_key(batch) if full else batch.num_rows  # rows of one key stay in one file
            file.write(pulled.new(batch.slice(0, same)))
            if same < batch.num_rows:
                file.keep(pulled.known())
                rows += file.rows
                file = spool.start()
                file.write(pulled.new(batch.slice(same)))
            progress(f"fetch {name}", rows + file.rows, None)
        if file.rows:
            file.keep(pulled.known())
    finally:
        file.drop()
    return rows + file.rows


class _Pulled:
    """What came so far in the order of the key, beside what was known before."""

    def __init__(self, before: Known, key: str, overlap: int, where: str) -> None:
        self.before, self.key, self.overlap, self.where = before, key, overlap, where
        self.may_stop = not overlap or before.highest is None  # else the first rows are below the highest key
        self.highest = before.highest
        self.key_now = pl.Series()  # of the last row
        self.last: pl.DataFrame | None = None  # key, hash of the rows with the last keys

    def new(self, batch: pa.RecordBatch) -> pa.RecordBatch:
        """Return the rows of a batch that were not there before."""
        if not batch.num_rows:
            return batch
        keys = batch.column(self.key)
        if keys.null_count:
            fix = "Name another column, or leave such rows out by a query: … where it is not null."
            raise InputError("There are rows without a key.", where=f"{self.where}.key", found=self.key, fix=fix)
        self.key_now = pl.Series(keys[-1:])
        self.highest = _plain(keys[-1], self.key, self.where)
        if not self.overlap:
            return batch
        frame = pl.from_arrow(batch)
        assert isinstance(frame, pl.DataFrame)
        hashes = row_hashes(frame)
        rows = pl.DataFrame({"key": frame[self.key], "hash": hashes})
        rows = rows if self.last is None else pl.concat([self.last, rows])
        last_keys = rows["key"].unique(maintain_order=True).tail(self.overlap)
        self.last = rows.filter(pl.col("key").is_in(last_keys.implode()))
        known = pl.Series(self.before.window, dtype=pl.UInt64)
        return batch.filter((~hashes.is_in(known.implode())).to_arrow())

    def same_key(self, batch: pa.RecordBatch) -> int:
        """Return how many rows at the front of a batch have the key of the last row before it."""
        keys = pl.Series(batch.column(self.key))
        others = (keys != self.key_now).arg_true()
        return int(others[0]) if len(others) else batch.num_rows

    def known(self) -> Known:
        """Return how far it came."""
        return Known(self.highest, window=[] if self.last is None else self.last["hash"].to_list())


def _plain(key: pa.Scalar, name: str, where: str) -> int | str:
    """Return a key as it is kept: whole numbers, texts, and the numbers that Arrow keeps for times."""
    value: object = key.as_py() if pa.types.is_integer(key.type) or not hasattr(key, "value") else key.value
    if isinstance(value, int | str) and not isinstance(value, bool):
        return value
    raise InputError(
        "A key must be a whole number, a text or a time.", where=f"{where}.key", found=f"{name} is of type {key.type}",
        fix="Name another column, or make one in a query: cast(… as bigint) as key.",
    )  # fmt: skip
