"""JSON lines: one object per line; fields inside of objects are named with dots, those in lists with numbers."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

import polars as pl
from pydantic import BaseModel, ConfigDict, Field

from ingest.formats.base import Parse, Records, Types, empty_to_null, key_of, line_texts, no_bad, set_aside
from ingest.raw import SHOWN_CHARS, Block, RawFile

NAME = "json_lines"
LINES = True

SAMPLE = """\
{"at":"2026-10-23T06:00:07.5+02:00","no":9,"event":"measured","data":{"volume":{"value":4.97,"unit":"ml"},"ok":true}}
{"at":"2026-10-23T04:00:17Z","no":10,"event":"measured","data":{"volume":{"value":5.31,"unit":"ml"},"ok":false}}
"""

SAMPLE_SOURCE = r"""
cell = "spoon"
format = "json_lines"
files = ["inbox/gauge/*.jsonl*"]

[time]
field = "at"
formats = ["iso8601"]

[words.verdict]
true = "good"
false = "reject"

[always]
station = "gauge"
seq = "{no}"

[[rules]]
when = { event = "measured" }
emit = [
  { kind = "measurement", characteristic = "volume", value = "{data.volume.value}", unit = "{data.volume.unit}" },
  { kind = "result", result = "{data.ok:verdict}" },
]
"""


class Options(BaseModel):
    """`[read]` for JSON lines."""

    model_config = ConfigDict(extra="forbid", strict=True)

    comment: str = Field("", description="lines that begin with this are left out")
    skip_first: int = Field(0, description="so many lines at the beginning of each file are left out", ge=0)


def known_fields(options: Options) -> None:
    """Any name may occur."""
    return None


def blocks(file: RawFile, options: Options) -> Iterator[Block]:
    """Yield blocks of lines."""
    return file.blocks()


def json_path(field: str) -> str:
    """Return the JSONPath of a dotted field.

    >>> json_path("data.values.0.unit")
    "$['data']['values'][0]['unit']"
    """
    steps = [f"[{step}]" if step.isdigit() else f"['{step}']" for step in field.split(".")]
    return "$" + "".join(steps)


def parser(options: Options, fields: Sequence[str], typed: Types, head: Block, shown: str) -> Parse:
    """Return the function that takes the fields out of objects. true and false become the words "true" and "false"."""
    shape = _shape(fields)

    def parse(block: Block) -> Records:
        lines, set_apart = set_aside(block.as_lines(), options)
        bad = no_bad()
        frame = _decoded(lines, shape, fields)
        if frame is None:
            text = pl.col("text")
            is_object = text.str.contains(r"^\s*\{") & text.str.json_path_match("$").is_not_null()
            lines = lines.with_columns(is_object.alias("\x00object"))
            reason = pl.lit("line is not a JSON object").alias("reason")
            bad = lines.filter(~pl.col("\x00object")).select("line", reason, text.str.slice(0, SHOWN_CHARS))
            lines = lines.filter("\x00object").drop("\x00object")
            frame = _decoded(lines, shape, fields)
        if frame is None:
            frame = lines.select(
                "line", *(pl.col("text").str.json_path_match(json_path(key_of(f))).alias(f) for f in fields)
            )
        return Records(empty_to_null(frame), line_texts(block), bad, set_apart)

    return parse


def _shape(fields: Sequence[str]) -> pl.Struct | None:
    """Return the type of an object that holds the fields; None when fields lie in lists or one holds another."""
    tree: dict[str, Any] = {}
    for field in fields:
        *way, last = key_of(field).split(".")
        node = tree
        for step in way:
            node = node.setdefault(step, {})
            if node is None:
                return None
        if last in node or any(step.isdigit() for step in [*way, last]):
            return None
        node[last] = None
    return _struct(tree)


def _struct(tree: dict[str, Any]) -> pl.Struct:
    return pl.Struct({name: pl.String() if below is None else _struct(below) for name, below in tree.items()})


def _decoded(lines: pl.DataFrame, shape: pl.Struct | None, fields: Sequence[str]) -> pl.DataFrame | None:
    """Decode all lines at once, the quick way; None when a line is no object, or not of the shape."""
    if shape is None or not lines.height:
        return None if lines.height else lines.select("line", *(pl.lit(None, pl.String).alias(f) for f in fields))
    try:
        objects = lines.select("line", pl.col("text").str.json_decode(shape).alias("o"))
    except pl.exceptions.ComputeError:
        return None
    if objects["o"].null_count():
        return None
    columns = []
    for field in fields:
        column = pl.col("o")
        for step in key_of(field).split("."):
            column = column.struct.field(step)
        columns.append(column.alias(field))
    return objects.select("line", *columns)
