"""Lines that an MTConnect adapter sends to its agent: time|key|value|key|value…, one record per line."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Final

import polars as pl
from pydantic import BaseModel, ConfigDict, Field

from ingest.formats.base import Parse, Records, Types, empty_to_null, line_texts, no_bad
from ingest.raw import SHOWN_CHARS, Block, RawFile

NAME = "mtconnect_adapter"
LINES = True

SAMPLE = """\
* PONG 10000
2026-10-23T04:00:00.000Z|avail|AVAILABLE
2026-10-23T04:00:01.250Z|execution|ACTIVE|program|P100|parts|16
2026-10-23T04:00:06.000Z|parts|17
2026-10-23T04:00:07.000Z|execution|INTERRUPTED
2026-10-23T04:00:07.000Z|sys|FAULT|P104|2||clamp not closed
2026-10-23T04:00:41.500Z|sys|NORMAL||||
2026-10-23T04:00:42.000Z|execution|UNAVAILABLE|parts|UNAVAILABLE
"""

SAMPLE_SOURCE = r"""
cell = "spoon"
format = "mtconnect_adapter"
files = ["inbox/mill/*.shdr*"]

[time]
formats = ["iso8601"]
zone = "UTC"

[read]
conditions = ["sys"]

[words.link]
AVAILABLE = "up"
UNAVAILABLE = "down"

[words.state]
ACTIVE = "running"
READY = "idle"
INTERRUPTED = "stopped"
STOPPED = "stopped"
UNAVAILABLE = "unknown"

[words.alarm]
NORMAL = "alarm_off"
WARNING = "alarm_on"
FAULT = "alarm_on"

[always]
station = "press"

[[rules]]
when = { "sys.level" = ["NORMAL", "WARNING", "FAULT"] }
emit = [{ kind = "{sys.level:alarm}", code = "sys", text = "{sys.text}" }]

[[rules]]
emit = [
  { when = { avail = { present = true } }, kind = "link", state = "{avail:link}" },
  { when = { execution = { present = true } }, kind = "state", state = "{execution:state}" },
  { when = { parts = { present = true, not = "UNAVAILABLE" } }, kind = "count", value = "{parts}" },
]
"""

MOST: Final = 1_000  # changes in one line
OF_PROGRAM: Final = "line_"  # the field for the key `line`, a line of the program: `line` is that of the log
_CONDITION: Final = ("level", "native_code", "native_severity", "qualifier", "text")
_MESSAGE: Final = ("native_code", "text")
_TIMESERIES: Final = ("count", "frequency", "values")
_STAND_IN: Final = "\x00"  # for a sign | within a text, which is written \|


class Options(BaseModel):
    """`[read]` for adapter lines."""

    model_config = ConfigDict(extra="forbid", strict=True)

    conditions: list[str] = Field(
        [], description="keys of conditions: key|level|native_code|native_severity|qualifier|text"
    )
    messages: list[str] = Field([], description="keys of messages: key|native_code|text")
    timeseries: list[str] = Field([], description="keys of time series: key|count|frequency|values")


def known_fields(options: Options) -> None:
    """Any key may occur."""
    return None


def blocks(file: RawFile, options: Options) -> Iterator[Block]:
    """Yield blocks of lines."""
    return file.blocks()


def parser(options: Options, fields: Sequence[str], typed: Types, head: Block, shown: str) -> Parse:
    """Return the function that takes lines apart into their keys. A key that comes twice in a line counts first."""
    shapes: dict[str, tuple[str, ...]] = {
        **dict.fromkeys(options.timeseries, _TIMESERIES),
        **dict.fromkeys(options.messages, _MESSAGE),
        **dict.fromkeys(options.conditions, _CONDITION),
    }
    asked = [f for f in fields if f not in ("time", "duration", "device")]

    def parse(block: Block) -> Records:
        lines = block.as_lines()
        kept = lines.filter(pl.col("text").str.contains(r"^\s*[^*\s]"))  # "* …" is of the protocol
        words = kept.select(
            "line", "text", words=pl.col("text").str.replace_all(r"\|", _STAND_IN, literal=True).str.split("|")
        )
        words = words.with_columns(
            head=pl.col("words").list.first().str.strip_chars(), rest=pl.col("words").list.slice(1)
        )
        found = _found(words.select("line", "rest"), shapes)
        bad = no_bad()
        wrong = words.join(found.wrong, on="line", how="inner", maintain_order="left")
        if wrong.height:
            bad = wrong.select("line", "reason", pl.col("text").str.slice(0, SHOWN_CHARS))
            words = words.join(wrong, on="line", how="anti", maintain_order="left")
        stamp = pl.col("head").str.splitn("@", 2)
        frame = words.select(
            "line", time=stamp.struct[0].str.strip_chars(), duration=stamp.struct[1].str.strip_chars()
        ).join(found.devices, on="line", how="left", maintain_order="left")
        own = [name for name in ("time", "duration", "device") if name in fields]
        frame = frame.select("line", *own)
        for field in asked:
            key = field if field != OF_PROGRAM else "line"
            column = found.pairs.filter((pl.col("key") == key) | (pl.col("full") == key))
            column = column.unique("line", keep="first", maintain_order=True).select(
                "line", pl.col("word").alias(field)
            )
            frame = frame.join(column, on="line", how="left", maintain_order="left")
        return Records(empty_to_null(frame.select("line", *fields)), line_texts(block), bad, lines.height - kept.height)

    return parse


class _Found:
    """Pairs of lines: line, key (without the device), full (device.key), word. And the lines that are wrong."""

    def __init__(self, pairs: pl.DataFrame, devices: pl.DataFrame, wrong: pl.DataFrame) -> None:
        self.pairs, self.devices, self.wrong = pairs, devices, wrong


def _found(lines: pl.DataFrame, shapes: dict[str, tuple[str, ...]]) -> _Found:
    """Take lines apart. Takes line, rest: the words behind the time."""
    key = pl.col("rest").list.first().str.strip_chars()
    name = key.str.split(":").list.last()
    special = pl.any_horizontal(
        pl.lit(False),
        pl.col("rest")
        .list.eval(pl.element().str.strip_chars().str.split(":").list.last().is_in(list(shapes)))
        .list.any(),
    )
    mixed = lines.filter(special) if shapes else lines.clear()
    plain = lines.filter(~special) if shapes else lines
    parts = [_pairs_of(plain)]
    wrong = [plain.select("line", reason=_reason(pl.col("rest").list.len()))]
    for _ in range(MOST):
        if not mixed.height:
            break
        now = mixed.with_columns(key=key, name=name)
        width = pl.col("name").replace_strict(
            {k: len(v) + 1 for k, v in shapes.items()}, default=2, return_dtype=pl.Int64
        )
        now = now.with_columns(width=width)
        for names in (("",), *set(shapes.values())):
            mine = [k for k, v in shapes.items() if v == names]
            rows = now.filter(pl.col("name").is_in(mine) if mine else ~pl.col("name").is_in(list(shapes)))
            for n, part in enumerate(names, 1):
                word = pl.col("rest").list.get(n, null_on_oob=True)
                parts.append(rows.select("line", _named("key", part), word=word))
        wrong.append(now.filter((pl.col("rest").list.len() < 2) | (pl.col("name") == "")).select("line", reason=_LACKS))
        mixed = now.select("line", rest=pl.col("rest").list.slice(pl.col("width"))).filter(
            pl.col("rest").list.len() > 0
        )
    wrong.append(mixed.select("line", reason=pl.lit(f"more than {MOST:,} changes in one line")))
    pairs = pl.concat(parts)
    device = pl.col("key").str.contains(":", literal=True)
    pairs = pairs.with_columns(
        device=pl.when(device).then(pl.col("key").str.split(":").list.first()),
        full=pl.col("key").str.replace(":", ".", literal=True),
        key=pl.col("key").str.split(":").list.last(),
        word=pl.col("word").str.strip_chars().str.replace_all(_STAND_IN, "|", literal=True),
    )
    devices = pairs.filter(pl.col("device").is_not_null()).unique("line", keep="first", maintain_order=True)
    bad = pl.concat(wrong).filter(pl.col("reason").is_not_null()).unique("line", keep="first")
    return _Found(pairs, devices.select("line", "device"), bad)


_LACKS: Final = pl.lit("a key stands without a value, or a value without a key")


def _reason(n: pl.Expr) -> pl.Expr:
    none = pl.lit("line has no pair of the form |key|value")
    return pl.when(n == 0).then(none).when(n % 2 == 1).then(_LACKS).when(n > 2 * MOST).then(
        pl.lit(f"more than {MOST:,} changes in one line")
    )  # fmt: skip


def _named(key: str, part: str) -> pl.Expr:
    return (pl.col(key) + f".{part}" if part else pl.col(key)).alias("key")


def _pairs_of(lines: pl.DataFrame) -> pl.DataFrame:
    """Take lines apart that hold nothing but pairs."""
    words = lines.with_columns(n=pl.int_ranges(pl.col("rest").list.len())).explode("rest", "n", empty_as_null=False)
    words = words.with_columns(word=pl.col("rest").shift(-1))
    return words.filter(pl.col("n") % 2 == 0).select("line", key=pl.col("rest").str.strip_chars(), word="word")
