"""key=value lines: pairs in any order, values with or without quotes, other words between them ignored."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence

import polars as pl
from pydantic import BaseModel, ConfigDict, Field

from ingest.formats.base import Parse, Records, Types, empty_to_null, key_of, line_texts, no_bad, set_aside
from ingest.raw import SHOWN_CHARS, Block, RawFile

NAME = "key_value"
LINES = True

SAMPLE = """\
t=1792735207482 no=48211 ev=begin nest=2 part=4007312
t=1792735224092 no=48213 ev=alarm_on nest=2 code=P104 text="clamp not closed"
"""

SAMPLE_SOURCE = r"""
cell = "spoon"
format = "key_value"
files = ["inbox/press/*.kv*"]

[time]
field = "t"
formats = ["epoch_ms"]

[always]
station = "press"
nest = "{nest}"
seq = "{no}"

[[rules]]
when = { ev = "begin" }
emit = [{ kind = "cycle_start", part = "{part}" }]

[[rules]]
when = { ev = ["alarm_on", "alarm_off"] }
emit = [{ kind = "{ev}", code = "{code}", text = "{text}" }]
"""


class Options(BaseModel):
    """`[read]` for key=value lines."""

    model_config = ConfigDict(extra="forbid", strict=True)

    pair: str = Field("=", description='what stands between a key and its value, e.g. pair = ":"', min_length=1)
    delimiter: str = Field("", description='what stands between two pairs, e.g. delimiter = ";"; "" for any blanks')
    comment: str = Field("", description="lines that begin with this are left out")
    skip_first: int = Field(0, description="so many lines at the beginning of each file are left out", ge=0)


def known_fields(options: Options) -> None:
    """Any key may occur."""
    return None


def blocks(file: RawFile, options: Options) -> Iterator[Block]:
    """Yield blocks of lines."""
    return file.blocks()


def parser(options: Options, fields: Sequence[str], typed: Types, head: Block, shown: str) -> Parse:
    """Return the function that takes lines apart into pairs. A key that comes twice in a line counts the first time."""
    pair, delimiter = re.escape(options.pair), re.escape(options.delimiter)
    end = delimiter or r"\s"
    key = rf"[^{end}\s\"{pair[-1:]}]+"
    token = (
        rf'{key}\s*{pair}\s*(?:"(?:[^"\\]|\\.)*"|[^{end}]*)' if delimiter else rf'{key}{pair}(?:"(?:[^"\\]|\\.)*"|\S*)'
    )
    parts = rf"^({key})\s*{pair}\s*(?s:(.*))$"

    def parse(block: Block) -> Records:
        lines, set_apart = set_aside(block.as_lines(), options)
        lines = lines.with_columns(tokens=pl.col("text").str.extract_all(token))
        pairs = (
            lines.select("line", "tokens").explode("tokens", empty_as_null=False, keep_nulls=False)
            .with_columns(pl.col("tokens").str.extract_groups(parts).alias("pair"))
            .select("line", key=pl.col("pair").struct[0], word=pl.col("pair").struct[1].str.strip_chars())
        )  # fmt: skip
        bad = no_bad()
        open_quote = pairs.filter(pl.col("word").str.contains(r'^"') & ~pl.col("word").str.contains(r'^".*[^\\]?"$'))
        none = pl.lit(f"line has no pair of the form key{options.pair}value")
        lines = lines.with_columns(
            reason=pl.when(pl.col("tokens").list.len() == 0)
            .then(none)
            .when(pl.col("line").is_in(open_quote["line"].implode()))
            .then(pl.lit("a quote is not closed"))
        )
        if lines["reason"].null_count() < lines.height:
            bad = lines.filter(pl.col("reason").is_not_null()).select(
                "line", "reason", pl.col("text").str.slice(0, SHOWN_CHARS)
            )
            lines = lines.filter(pl.col("reason").is_null())
        frame = lines.select("line")
        for field in fields:
            found = pairs.filter(pl.col("key") == key_of(field)).unique("line", keep="first", maintain_order=True)
            column = found.select("line", _unquoted().alias(field))
            frame = frame.join(column, on="line", how="left", maintain_order="left")
        return Records(empty_to_null(frame), line_texts(block), bad, set_apart)

    return parse


def _unquoted() -> pl.Expr:
    word = pl.col("word")
    inner = word.str.strip_prefix('"').str.strip_suffix('"').str.replace_all(r"\\(.)", "$1")
    return pl.when(word.str.starts_with('"')).then(inner).otherwise(word)
