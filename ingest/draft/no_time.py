"""Why the times of a log cannot be read, said exactly, and what could help."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import polars as pl

from ingest.draft.shares import share_of
from ingest.draft.sniff import Reading
from ingest.draft.times import CLOCK, MONTH, day_in_name
from ingest.draft.write import plain
from ingest.errors import InputError

_MONTH_WORD = (
    r"(?i)(?:january|february|march|april|june|july|august|september|october|november|december|januar|februar|märz|mrz|mai|"
    r"juni|juli|okt|oktober|dez|dezember|janvier|février|mars|avril|juin|juillet|août|déc)"
)


def is_spread_json(lines: pl.DataFrame) -> bool:
    """Whether the lines are one JSON value over several lines."""
    texts = lines["text"]
    opened = texts.head(1).str.contains(r"^\s*[\[{]\s*$|^\s*\[\s*[{\[]").any()
    return opened and share_of(texts.str.contains(r'^\s*(?:"[^"]*"\s*:|[{}\[\]])')) > 0.8


def no_time(path: Path, lines: pl.DataFrame, reading: Reading | None, place: Any) -> InputError:
    """Return the error for lines without a time that the source language can read."""
    texts = lines["text"]
    example = plain(str(texts[0]), 80) if len(texts) else ""

    def share(pattern: str) -> float:
        return share_of(texts.str.contains(pattern))

    found = f"{lines.height:,} lines, e.g.  {example}"
    where = path.as_posix()
    if is_spread_json(lines):
        return InputError(
            "This is JSON that spreads over several lines, or one list; only one object per line can be read.",
            where=where, found=found,
            fix="Have the machine write one object per line, or turn it, e.g.  jq -c '.[]' FILE > FILE.jsonl",
        )  # fmt: skip
    if share(rf"(?:^|\W){MONTH} +[0-9]{{1,2}} [0-9]{{1,2}}:[0-9]{{2}}") > 0.5:
        return InputError(
            "The times in these lines have no year, so they are no instants.", where=where, found=found,
            fix="Have the sender write the year (for syslog: the form of RFC 5424), or put the year in front of "
                "each line "
            "when the file is fetched.",
        )  # fmt: skip
    if share(_MONTH_WORD + r"\.?[ -]+[0-9]") > 0.5 or share(r"[0-9]\.?[ -]+" + _MONTH_WORD) > 0.5:
        return InputError(
            "The months are written in words that cannot be read: only Jan, Feb, Mar … Dec are known.", where=where,
            found=found, fix="Have the machine write the month as a number.",
        )  # fmt: skip
    if share(rf"(?:^|[^0-9]){CLOCK}") > 0.5:
        day = day_in_name(path.name)
        more = (
            f" The file's name tells the day ({day:%Y-%m-%d}); put it in front of each line when the file is "
            f"fetched, e.g.  "
            f"sed 's/^/{day:%Y-%m-%d} /' FILE" if day else
            " Have the machine write the date, or put it in front of each line when the file is fetched, e.g.  "
            "sed 's/^/2026-10-23 /' FILE"
        )  # fmt: skip
        clock = re.search(CLOCK, str(texts.filter(texts.str.contains(CLOCK))[0]))
        return InputError(
            f"The times in these lines are clock times without a date ({clock[0] if clock else ''}), so they "
            f"are no instants.",
            where=where, found=found, fix="Nothing was drafted." + more,
        )  # fmt: skip
    if place is not None:
        return InputError(
            "Something in these lines looks like a time, but it is in no form that can be read.", where=where,
            found=f"{found}\n             looks like a time:  {plain(str(place.found['date'][0]), 40)}",
            fix="See 'Times' in ingest/README.md for what can be read; have the machine write e.g. "
                "2026-10-23T06:00:00.000",
        )  # fmt: skip
    return InputError(
        "There is no time in these lines, so they cannot become events.",
        where=where,
        found=found,
        fix="Each record needs a date and a clock time. Look for another log of this machine, or have it write "
        "the time.",
    )
