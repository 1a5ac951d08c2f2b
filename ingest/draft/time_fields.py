"""Which field of a record holds its time, or which two hold date and clock."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

import polars as pl

from ingest.draft.sample import FILE, PART
from ingest.draft.shares import share_of
from ingest.draft.sniff import Reading
from ingest.draft.times import CLOCK, DATE, TimeFormat, time_format

_TIME_NAME = r"time|date|zeit|datum|stamp|^ts$|^t$|_at$|utc|when|uhr"
_LATER = r"end|finish|stop|until|bis|to_|due|created|modified|load"


@dataclass(frozen=True, slots=True)
class TimeField:
    """The `field` of [time], how its words read, and the words."""

    field: str
    format: TimeFormat
    words: pl.Series

    @property
    def names(self) -> list[str]:
        """The fields in it."""
        return re.findall(r"\{([^{}]+)\}", self.field) if "{" in self.field else [self.field]


def time_field(reading: Reading, hints: Sequence[datetime]) -> TimeField | None:
    """Find the field that holds the time; None when there is none."""
    frame = reading.frame
    if not frame.height:
        return None
    pieces = frame[FILE].cast(pl.Int64) * 10 + frame[PART].cast(pl.Int64)
    best: tuple[float, TimeField] | None = None
    for place, name in enumerate(reading.fields):
        words = frame[name]
        there = 1 - words.null_count() / frame.height
        if there < 0.5 or not bool(words.drop_nulls().head(200).str.contains("[0-9]").any()):
            continue
        found = time_format(words, pieces, hints)
        if found is None or found.share < 0.8:
            continue
        last = re.split(r"[./]", name)[-1].lower()
        named = bool(re.search(_TIME_NAME, last))
        if found.formats[0].startswith("epoch") and not named and place > 0:
            continue
        points = found.share * there + 0.5 * named - 0.2 * bool(re.search(_LATER, last)) - 0.001 * place
        if best is None or points > best[0]:
            best = points, TimeField(name, found, words)
    if best is not None:
        return best[1]
    return _date_and_clock(reading, pieces, hints)


def _date_and_clock(reading: Reading, pieces: pl.Series, hints: Sequence[datetime]) -> TimeField | None:
    def like(pattern: str) -> list[str]:
        return [
            n for n in reading.fields
            if share_of(reading.frame[n].drop_nulls().str.contains(f"^(?:{pattern})$")) > 0.7
            and reading.frame[n].null_count() < 0.5 * reading.frame.height
        ]  # fmt: skip

    for date in like(DATE + "|[0-9]{8}"):
        for clock in like(CLOCK + "|[0-9]{6}"):
            words = reading.frame.select((pl.col(date) + " " + pl.col(clock)).alias("t"))["t"]
            found = time_format(words, pieces, hints)
            if found is not None and found.share > 0.7:
                return TimeField("{" + date + "} {" + clock + "}", found, words)
    return None
