"""What formats of tables have in common: a block's rows -> records."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager

import polars as pl

from ingest.errors import InputError, suggest
from ingest.formats.base import Texts, key_of
from ingest.raw import SHOWN_CHARS, Block


def taken(block: Block, fields: Sequence[str]) -> pl.DataFrame:
    """Return `line` and the fields that are asked for; those that the block does not have are null."""
    lines = block.line_numbers().alias("line")
    rows = block.frame if block.frame is not None else pl.DataFrame()
    none = pl.repeat(None, len(lines), dtype=pl.String, eager=True)
    own = {f: f if f in rows.columns else key_of(f) for f in fields}
    return pl.DataFrame([lines, *(rows[k].alias(f) if k in rows.columns else none.alias(f) for f, k in own.items())])


def row_texts(frame: pl.DataFrame) -> Texts:
    """Return a function that tells rows for people: the fields that the source asks for, as JSON."""

    def texts(numbers: pl.Series) -> pl.Series:
        rows = numbers.to_frame("line").join(frame, on="line", how="left", maintain_order="left")
        if rows.width == 1:
            return pl.repeat("{}", rows.height, dtype=pl.String, eager=True)
        return rows.select(pl.struct(pl.exclude("line")).struct.json_encode().str.slice(0, SHOWN_CHARS)).to_series()

    return texts


class PanickedError(Exception):
    """A library written in Rust met what it did not expect, and says so by an exception that no `except` catches."""


@contextmanager
def panics_caught() -> Iterator[None]:
    """Turn a panic, which a damaged file may cause, into an exception like others."""
    try:
        yield
    except BaseException as err:
        if type(err).__name__ != "PanicException":
            raise
        raise PanickedError(str(err)) from err


def no_column(name: str, names: Sequence[str], shown: str, fix: str) -> InputError:
    """Return the error for a column that is asked for and not there."""
    return InputError(
        f"There is no column '{name}', which the source asks for.",
        where=shown,
        found=", ".join(names[:50]),
        fix=suggest(name, names) or fix,
    )
