"""Free text, read by patterns with named groups."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import polars as pl
from pydantic import BaseModel, ConfigDict, Field

from ingest.formats.base import Parse, Records, Types, empty_to_null, line_texts, no_bad, set_aside
from ingest.raw import Block, RawFile
from ingest.regex import for_ascii, groups_of

NAME = "text"
LINES = True

SAMPLE = """\
23.10.2026 06:00:00,012 [17] ROB1 PLACE part P204 at PASS
23.10.2026 06:00:04,250 [18] ROB1 WAIT for PRS1
23.10.2026 06:00:05,000 [19] heartbeat
"""

SAMPLE_SOURCE = r"""
cell = "spoon"
format = "text"
files = ["inbox/robots/*.log*"]

[time]
formats = ["%d.%m.%Y %H:%M:%S,%3f"]

[read.patterns]
place = '^(?P<time>\S+ \S+) \[(?P<nr>\d+)\] (?P<unit>\w+) PLACE part (?P<part>\w+) at (?P<place>\w+)$'
wait = '^(?P<time>\S+ \S+) \[(?P<nr>\d+)\] (?P<unit>\w+) WAIT for (?P<place>\w+)$'
beat = '^(?P<time>\S+ \S+) \[(?P<nr>\d+)\] heartbeat$'

[words.station]
ROB1 = "robA"
PRS1 = "press"
PASS = "pass"

[always]
seq = "{nr}"

[[skip]]
when = { pattern = "beat" }

[[rules]]
when = { pattern = "place" }
emit = [
  { kind = "cycle_end", station = "{unit:station}", part = "{part}" },
  { kind = "part_in", station = "{place:station}", part = "{part}" },
]

[[rules]]
when = { pattern = "wait" }
emit = [{ kind = "state", state = "starved", station = "{unit:station}", at = "{place:station}" }]
"""


class Options(BaseModel):
    """`[read]` for free text."""

    model_config = ConfigDict(extra="forbid", strict=True)

    patterns: dict[str, str] = Field(
        description="[read.patterns], name = '^(?P<time>…) (?P<part>…)$'; tried in order, the first match counts",
        min_length=1,
    )
    comment: str = Field("", description="lines that begin with this are left out")
    skip_first: int = Field(0, description="so many lines at the beginning of each file are left out", ge=0)


def known_fields(options: Options) -> list[str]:
    """Return the named groups of all patterns, and `pattern`: the name of the one that matched."""
    names = [name for pattern in options.patterns.values() for name in groups_of(pattern)]
    return ["pattern", *dict.fromkeys(names)]


def blocks(file: RawFile, options: Options) -> Iterator[Block]:
    """Yield blocks of lines."""
    return file.blocks()


def parser(options: Options, fields: Sequence[str], typed: Types, head: Block, shown: str) -> Parse:
    """Return the function that takes lines apart by the patterns."""
    # an empty group in front of each pattern: null exactly when the pattern did not match
    patterns = [(name, f"()(?:{p})", f"()(?:{for_ascii(p)})", groups_of(p)) for name, p in options.patterns.items()]
    wanted = [f for f in fields if f != "pattern"]

    def parse(block: Block) -> Records:
        lines = block.as_lines()
        set_apart = 0
        if options.comment or options.skip_first:
            lines, set_apart = set_aside(lines, options)
        parts: list[pl.DataFrame] = []
        is_ascii = block.data.isascii()
        for name, pattern, ascii_pattern, groups in patterns:
            if not lines.height:
                break
            found = lines["text"].str.extract_groups(ascii_pattern if is_ascii else pattern).struct.unnest()
            matched = found.to_series(0).is_not_null()
            part = found.select(lines["line"], *(pl.col(f) for f in wanted if f in groups))
            if "pattern" in fields:
                part = part.with_columns(pattern=pl.lit(name))
            if not matched.all():
                part, lines = part.filter(matched), lines.filter(~matched)
            else:
                lines = lines.clear()
            parts.append(part)
        frame = pl.concat(parts, how="diagonal") if parts else pl.DataFrame(schema={"line": pl.Int64})
        if len(parts) > 1:
            frame = frame.sort("line")
        missing = [f for f in fields if f not in frame.columns]
        if missing:
            frame = frame.with_columns(pl.lit(None, pl.String).alias(f) for f in missing)
        bad = no_bad()
        if lines.height:
            lines, blank = set_aside(lines, options)
            set_apart += blank
            bad = lines.select(
                "line", pl.lit("no pattern matches this line").alias("reason"), pl.col("text").str.slice(0, 300)
            )
        return Records(empty_to_null(frame), line_texts(block), bad, set_apart)

    return parse
