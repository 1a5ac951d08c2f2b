"""Syslog messages (RFC 5424), one per line, as a file or a receiver's spool holds them."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from typing import Final

import polars as pl
from pydantic import BaseModel, ConfigDict, Field

from ingest.formats.base import Parse, Records, Types, empty_to_null, line_texts, no_bad, set_aside
from ingest.raw import SHOWN_CHARS, Block, RawFile

NAME = "syslog"
LINES = True

SAMPLE = """\
<134>1 2026-10-23T04:00:00.003Z ctl7 press 411 CYC [cycle@32473 nest="2" part="4007312"] begin
<134>1 2026-10-23T04:00:16.750Z ctl7 press 411 CYC [cycle@32473 nest="2" part="4007312"] end in 16747 ms
<131>1 2026-10-23T06:00:31+02:00 ctl7 press - ALM [alarm@32473 code="P104" text="clamp \\"A\\" not closed"]
<30>1 2026-10-23T04:00:40Z ctl7 timesync 12 - - clock adjusted by 3 ms
"""

SAMPLE_SOURCE = r"""
cell = "spoon"
format = "syslog"
files = ["inbox/syslog/*.log*"]

[time]
formats = ["iso8601"]

[always]
station = "press"
nest = "{cycle@32473.nest}"
part = "{cycle@32473.part}"

[[skip]]
when = { app = { not = "press" } }

[[rules]]
when = { msgid = "CYC", msg = "begin" }
emit = [{ kind = "cycle_start" }]

[[rules]]
when = { msgid = "CYC", msg = { matches = '^end in (?P<took>\d+) ms$' } }
emit = [{ kind = "cycle_end", value = "{took} ms", unit = "s" }]

[[rules]]
when = { msgid = "ALM", severity = { at_most = 3 } }
emit = [{ kind = "alarm_on", code = "{alarm@32473.code}", text = "{alarm@32473.text}" }]
"""

SEVERITIES: Final = ("emergency", "alert", "critical", "error", "warning", "notice", "informational", "debug")
FACILITIES: Final = (
    "kern", "user", "mail", "daemon", "auth", "syslog", "lpr", "news", "uucp", "cron", "authpriv", "ftp",
    "ntp", "audit", "alert", "clock", *(f"local{n}" for n in range(8)),
)  # fmt: skip

# A name in structured data is printable ASCII without = ] " and blank; in a value, " \ and ] stand behind a backslash.
_NAME: Final = r"[!#-<>-\\^-~]+"
_VALUE: Final = r'"(?:[^"\\\]]|\\.)*"'
_ELEMENT: Final = rf"\[{_NAME}(?: {_NAME}={_VALUE})*\]"
_COUNT: Final = r"^(?:(?P<count>[1-9]\d{0,8}) )?"
_PRIORITY: Final = r"<(?P<priority>0|[1-9]\d?|1[0-8]\d|19[01])>"
_WORD: Final = "[!-~]+"
_HEADER: Final = ("time", "host", "app", "procid", "msgid")
_WORDS: Final = " ".join(f"(?P<{name}>{_WORD})" for name in _HEADER)
_MESSAGE: Final = (
    rf"{_COUNT}{_PRIORITY}(?P<version>1) {_WORDS} (?P<data>-|(?:{_ELEMENT})+)(?P<rest> \x{{FEFF}}?(?P<msg>.*))?$"
).replace(r"\d", "[0-9]")


class Options(BaseModel):
    """`[read]` for syslog messages."""

    model_config = ConfigDict(extra="forbid", strict=True)

    comment: str = Field("", description="lines that begin with this are left out")
    skip_first: int = Field(0, description="so many lines at the beginning of each file are left out", ge=0)


def known_fields(options: Options) -> None:
    """Structured data may hold any name."""
    return None


def blocks(file: RawFile, options: Options) -> Iterator[Block]:
    """Yield blocks of lines."""
    return file.blocks()


def parser(options: Options, fields: Sequence[str], typed: Types, head: Block, shown: str) -> Parse:
    """Return the function that takes messages apart. "-" (there is no such value) is no value."""
    elements = sorted({element for field in fields for element in elements_of(field)})

    def parse(block: Block) -> Records:
        lines, set_apart = set_aside(block.as_lines(), options)
        parts = lines["text"].str.extract_groups(_MESSAGE).struct.unnest()
        lines = lines.hstack(parts.rename(lambda name: "\x00" + name))
        understood = pl.col("\x00priority").is_not_null() & _count_agrees()
        bad = lines.filter(~understood)
        if bad.height:
            lines = lines.filter(understood)
            text = pl.col("text").str.slice(0, SHOWN_CHARS)
            bad = bad.select("line", _reason().alias("reason"), text)
        else:
            bad = no_bad()
        # patterns of structured data are slow: only those of elements that occur are tried
        data = lines["\x00data"]
        there = {element for element in elements if data.str.contains(f"[{element} ", literal=True).any()}
        columns = (_field(field, there).alias(field) for field in fields)
        frame = lines.select("line", *columns)
        return Records(empty_to_null(frame), line_texts(block), bad, set_apart)

    return parse


def elements_of(field: str) -> set[str]:
    """Return the elements of structured data in which a field may stand: names may hold dots, too.

    >>> sorted(elements_of("cell.7.part"))
    ['cell', 'cell.7']
    """
    return {field[:n] for n, char in enumerate(field) if char == "." and 0 < n < len(field) - 1}


def _field(field: str, there: set[str]) -> pl.Expr:
    """Return the expression of one field; `there` are the elements of structured data that occur."""
    priority = pl.col("\x00priority").cast(pl.Int64, strict=False)
    named = {
        "facility": (priority // 8).cast(pl.String),
        "facility_name": _word(priority // 8, FACILITIES),
        "severity": (priority % 8).cast(pl.String),
        "severity_name": _word(priority % 8, SEVERITIES),
    }
    if field in named:
        return named[field]
    if field in _HEADER:
        word = pl.col("\x00" + field)
        return pl.when(word != "-").then(word)
    if field in ("version", "msg"):
        return pl.col("\x00" + field)
    found = [_parameter(element, field[len(element) + 1 :]) for element in sorted(elements_of(field) & there)]
    return pl.coalesce(found) if found else pl.lit(None, pl.String)


def _word(number: pl.Expr, words: Sequence[str]) -> pl.Expr:
    return number.cast(pl.String).replace_strict({str(n): w for n, w in enumerate(words)}, default=None)


def _parameter(element: str, name: str) -> pl.Expr:
    """Return the value of a parameter, the first when there are several of the name; marks of escape are undone."""
    before = rf"^(?:{_ELEMENT})*?\[{re.escape(element)}(?: {_NAME}={_VALUE})*? "
    data = pl.col("\x00data")
    value = data.str.extract(rf'{before}{re.escape(name)}="((?:[^"\\\]]|\\.)*)"')
    value = value.str.replace_all(r'\\(["\\\]])', "$1")
    return value


def _count_agrees() -> pl.Expr:
    """Octets in front count the message; some senders count its line end, too, and bytes may have been re-encoded."""
    count = pl.col("\x00count").cast(pl.Int64, strict=False)
    front = count.cast(pl.String).str.len_bytes().cast(pl.Int64) + 1
    longest = pl.col("text").str.len_bytes().cast(pl.Int64) - front + 2
    shortest = pl.col("text").str.len_chars().cast(pl.Int64) - front
    return count.is_null() | ((count >= shortest) & (count <= longest))


def _reason() -> pl.Expr:
    """Say what keeps a line from being a message: the first thing that is wrong, from left to right."""
    text = pl.col("text")
    count = text.str.extract(r"^([0-9]+) ")
    start = r"^(?:[0-9]+ )?"
    octets = text.str.len_bytes().cast(pl.Int64) - count.str.len_bytes().cast(pl.Int64) - 1
    priority = text.str.extract(rf"{start}<([^>]{{0,20}})>")
    header = rf"{start}<[0-9]+>1"
    return (
        pl.when(~text.str.contains(rf"{start}<[^>]*>"))
        .then(pl.lit("no syslog message: it does not begin with a priority such as <134>"))
        .when(~text.str.contains(_COUNT.replace(r"\d", "[0-9]") + _PRIORITY.replace(r"\d", "[0-9]")))
        .then(pl.format("priority '{}' is no number from 0 to 191", priority.fill_null("…")))
        .when(text.str.contains(rf"{start}<[0-9]+>[A-Za-z]"))
        .then(pl.lit("no version behind the priority: this is an older form of syslog; read it as text"))
        .when(~text.str.contains(rf"{header} "))
        .then(pl.lit("version is not 1, the one of RFC 5424"))
        .when(~text.str.contains(rf"{header}(?: {_WORD}){{5}} "))
        .then(pl.lit("header is not complete: time, host, app, procid, msgid and structured data (or -) are expected"))
        .when(pl.col("\x00priority").is_not_null())
        .then(pl.format("octet count {} does not fit: the message has {} octets", count, octets))
        .otherwise(pl.lit('structured data is damaged: [name key="value" …] or - is expected, " \\ ] behind a \\'))
    )
