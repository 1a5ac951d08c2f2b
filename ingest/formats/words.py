"""Typed columns -> columns of words, as a log would have written them; nested ones get a field per member."""

from __future__ import annotations

from collections.abc import Collection, Iterator
from typing import Final

import polars as pl

LIST_PLACES: Final = 100  # of a list, so many members are fields
_WHOLE: Final = 2.0**53  # from here on a float no longer holds every whole number
_DAY_US: Final = 86_400_000_000
_YEAR_1: Final = -719_162 * _DAY_US
_YEAR_10000: Final = 2_932_897 * _DAY_US


def as_words(frame: pl.DataFrame, texts: Collection[str] = ()) -> pl.DataFrame:
    """Return the frame with all columns as String.

    Members of structs are named with dots, those of lists with numbers, entries of maps with their keys. Times are ISO
    8601: with Z where the column has a zone, without where it has none; durations are seconds; whole numbers have no
    ".0". Bytes are hexadecimal digits, but for the columns of `texts`, which hold text.
    """
    return pl.DataFrame([words for name in frame.columns for words in _words(frame[name], texts)])


def _words(column: pl.Series, texts: Collection[str]) -> Iterator[pl.Series]:
    """Yield the columns of words that one column gives."""
    dtype, name = column.dtype, column.name
    if isinstance(dtype, pl.Struct):
        for member in dtype.fields:
            yield from _words(column.struct.field(member.name).alias(f"{name}.{member.name}"), texts)
    elif isinstance(dtype, pl.Array):
        yield from _words(column.cast(pl.List(dtype.inner)), texts)
    elif isinstance(dtype, pl.List):
        longest = column.list.len().max()
        places = min(longest, LIST_PLACES) if isinstance(longest, int) else 0
        for n in range(max(places, 1)):
            yield from _words(column.list.get(n, null_on_oob=True).alias(f"{name}.{n}"), texts)
    elif isinstance(dtype, pl.Map):
        yield from _entries(column, texts)
    else:
        yield pl.DataFrame(column).select(_as_word(name, dtype, name in texts)).to_series()


def _entries(column: pl.Series, texts: Collection[str]) -> Iterator[pl.Series]:
    """Yield a column per key of a map."""
    inner = column.dtype
    assert isinstance(inner, pl.Map)
    pairs = column.cast(pl.List(pl.Struct({"key": inner.key, "value": inner.value})))
    rows = pl.DataFrame({"row": pl.int_range(len(pairs), eager=True), "pair": pairs})
    rows = rows.explode("pair", empty_as_null=False, keep_nulls=False)
    keys = next(_words(rows["pair"].struct.field("key").alias("key"), texts))
    flat = pl.DataFrame({"row": rows["row"], "key": keys, "value": rows["pair"].struct.field("value")})
    for key in keys.drop_nulls().unique(maintain_order=True).head(LIST_PLACES):
        of_key = flat.filter(pl.col("key") == key).unique("row", keep="first", maintain_order=True)
        all_rows = pl.DataFrame({"row": pl.int_range(len(pairs), eager=True)})
        value = all_rows.join(of_key, on="row", how="left", maintain_order="left")["value"]
        yield from _words(value.alias(f"{column.name}.{key}"), texts)


def _as_word(name: str, dtype: pl.DataType, is_text: bool) -> pl.Expr:
    column = pl.col(name)
    if dtype == pl.String:
        return column
    if isinstance(dtype, pl.Datetime):
        zone = "Z" if dtype.time_zone else ""
        wall = column.dt.convert_time_zone("UTC").dt.replace_time_zone(None) if zone else column
        return _told(wall, f"%Y-%m-%dT%H:%M:%S%.f{zone}", column, _per_day(dtype.time_unit))
    if dtype == pl.Date:
        return _told(column, "%Y-%m-%d", column, 1)
    if dtype == pl.Time:
        return column.dt.to_string("%H:%M:%S%.f")
    if isinstance(dtype, pl.Duration):
        return _number(column.to_physical() / {"ns": 1e9, "us": 1e6, "ms": 1e3}[dtype.time_unit])
    if dtype.is_float():
        return _number(column)
    if dtype == pl.Binary:
        return column.map_batches(_text, pl.String) if is_text else column.bin.encode("hex")
    return column.cast(pl.String)


def _text(column: pl.Series) -> pl.Series:
    """Read bytes as text; what is no UTF-8 is Windows-1252, as in log files."""
    try:
        return column.cast(pl.String)
    except pl.exceptions.PolarsError:
        known = {raw: raw.decode("utf-8", "taktbook_cp1252") for raw in column.drop_nulls().unique()}
        return pl.Series(column.name, [None if raw is None else known[raw] for raw in column], pl.String)


def _per_day(unit: str) -> int:
    return _DAY_US * 1000 if unit == "ns" else _DAY_US // 1000 if unit == "ms" else _DAY_US


def _told(time: pl.Expr, form: str, column: pl.Expr, per_day: int) -> pl.Expr:
    """Write a time; one that no calendar holds is written as its bare number, which no time format reads."""
    number = column.to_physical().cast(pl.Int64)
    days = number // per_day
    sane = (days >= _YEAR_1 // _DAY_US) & (days < _YEAR_10000 // _DAY_US)
    return pl.coalesce(pl.when(sane).then(time).dt.to_string(form), pl.when(~sane).then(pl.format("#{}", number)))


def _number(column: pl.Expr) -> pl.Expr:
    whole = (column.abs() < _WHOLE) & (column == column.floor())
    return pl.when(whole).then(column.cast(pl.Int64, strict=False).cast(pl.String)).otherwise(column.cast(pl.String))
