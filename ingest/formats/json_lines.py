"""JSON lines: one object per line; fields inside of objects are named with dots, those in lists with numbers."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence

import polars as pl
from pydantic import BaseModel, ConfigDict, Field

from ingest.formats.base import Parse, Records, line_texts, no_bad, set_aside
from ingest.raw import SHOWN_CHARS, Block, RawFile

NAME = "json_lines"

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


def parser(options: Options, fields: Sequence[str], head: Block, shown: str) -> Parse:
    """Return the function that takes the fields out of objects. Numbers keep their digits, true and false their words."""

    def parse(block: Block) -> Records:
        lines, set_apart = set_aside(block.as_lines(), options)
        text = pl.col("text")
        whole = text.str.json_path_match("$")  # null when the line is no JSON
        is_object = whole.is_not_null() & text.str.contains(r"^\s*\{")
        lines = lines.with_columns(is_object.alias("\x00object"))
        bad = no_bad()
        if not lines["\x00object"].all():
            wrong = lines.filter(~pl.col("\x00object"))
            reason = pl.lit("line is not a JSON object").alias("reason")
            bad = wrong.select("line", reason, text.str.slice(0, SHOWN_CHARS))
            lines = lines.filter("\x00object")
        frame = lines.select("line", *(text.str.json_path_match(json_path(f)).alias(f) for f in fields))
        return Records(frame, line_texts(block), bad, set_apart)

    return parse


__all__ = ["NAME", "SAMPLE", "SAMPLE_SOURCE", "Options", "blocks", "known_fields", "parser", "re"]
