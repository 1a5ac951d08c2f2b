"""Words for an instant -> UTC in microseconds, with zones, clock changes and epochs."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final
from zoneinfo import ZoneInfo

import polars as pl

UTC: Final = pl.Datetime("us", "UTC")
NAIVE: Final = pl.Datetime("us")
EPOCHS: Final = {"epoch_s": 1_000_000, "epoch_ms": 1_000, "epoch_us": 1}
NAMED: Final = ("iso8601", *EPOCHS)
TOKENS: Final = (
    "%Y",
    "%y",
    "%m",
    "%d",
    "%j",
    "%b",
    "%H",
    "%I",
    "%p",
    "%M",
    "%S",
    "%3f",
    "%6f",
    "%9f",
    "%f",
    "%z",
    "%%",
)

# An epoch outside of these years is another unit, or none: so epoch_s, epoch_ms and epoch_us can stand in one list.
EPOCH_FROM: Final = 315_532_800 * 1_000_000  # 1980
EPOCH_TO: Final = 4_102_444_800 * 1_000_000  # 2100

_NAIVE_EPOCH: Final = datetime(1970, 1, 1)
_YEAR_2: Final = (datetime(2, 1, 1) - _NAIVE_EPOCH) // timedelta(microseconds=1)
_YEAR_9999: Final = (datetime(9999, 1, 1) - _NAIVE_EPOCH) // timedelta(microseconds=1)

_ISO_TAIL: Final = r"^(?:[.,](\d{1,9}))?(?:([Zz])|([+-])(\d\d):?(\d\d)|([+-])(\d\d))?$"


@dataclass(frozen=True, slots=True)
class Times:
    """What became of a column of words: ts (UTC; null: not understood), doubled, and reason where ts is null."""

    ts: pl.Series
    doubled: pl.Series
    nonexistent: pl.Series  # a local time that the clock change leaves out


def check_format(text: str) -> str | None:
    """Return what is wrong with a time format, or None."""
    if text in NAMED:
        return None
    if "%" not in text:
        return f"'{text}' is neither one of {', '.join(NAMED)} nor a format with %Y, %m, %d, %H, %M, %S"
    for token in re.findall(r"%(?:[369]f|\.[369]?f|.|$)", text):
        if token.startswith("%."):
            return f"'{token}' is not known; write the dot, then the digits: %S.%3f, or %S.%f for any number"
        if token not in TOKENS:
            return f"'{token}' is not known; known are {' '.join(TOKENS)}"
    if "%f" in text and not re.search(r"[^%\w]%f$", text):
        return "%f (a fraction of any length) must come last, after a dot or comma; else write %3f or %6f"
    needed = ("%d", "%m", "%H", "%M") if "%j" not in text else ("%H", "%M")
    missing = [t for t in needed if t not in text.replace("%b", "%m").replace("%I", "%H")]
    if "%y" not in text.replace("%Y", "%y"):
        missing.append("%Y")
    return f"a time needs its date, hour and minute; here is no {', '.join(missing)}" if missing else None


def parse_times(words: pl.Series, formats: Sequence[str], zone: str) -> Times:
    """Read times, trying the formats in order on those that are not understood yet.

    Takes    words: String; null words stay null. formats: see check_format. zone: for times that name none.
    Returns  one row per word. A local time that exists twice gives the first instant and doubled = true.
    """
    times = _READERS.get(formats[0], _strptime)(words, formats[0], zone)
    for form in formats[1:]:
        open_ = times.ts.is_null() & words.is_not_null()
        if not open_.any():
            break
        rows = open_.arg_true()
        more = _READERS.get(form, _strptime)(words.gather(rows), form, zone)
        times = Times(
            times.ts.scatter(rows, more.ts),
            times.doubled.scatter(rows, more.doubled),
            times.nonexistent.scatter(rows, more.nonexistent | times.nonexistent.gather(rows)),
        )
    return times


def localise(wall: pl.Series, zone: str) -> Times:
    """Turn wall-clock times of a zone into UTC; see parse_times for the hours of a clock change."""
    no = _no(len(wall))
    if zone == "UTC":
        return Times(wall.dt.replace_time_zone("UTC"), no, no)
    offset = _constant_offset(wall, zone)
    if offset is not None:
        return Times((wall - offset).dt.replace_time_zone("UTC"), no, no)
    first = wall.dt.replace_time_zone(zone, ambiguous="earliest", non_existent="null")
    last = wall.dt.replace_time_zone(zone, ambiguous="latest", non_existent="null")
    doubled = (first != last).fill_null(False)
    return Times(first.dt.convert_time_zone("UTC"), doubled, first.is_null() & wall.is_not_null())


def _constant_offset(wall: pl.Series, zone: str) -> timedelta | None:
    """Return the zone's offset when it is the same from the day before the first to the day after the last time: the
    usual case, and a quick one.
    """
    physical = wall.to_physical()  # Python's datetime does not hold every year that a damaged line may name
    lowest, highest = physical.min(), physical.max()
    if not isinstance(lowest, int) or not isinstance(highest, int) or not _YEAR_2 <= lowest <= highest < _YEAR_9999:
        return None
    first, last = _NAIVE_EPOCH + timedelta(microseconds=lowest), _NAIVE_EPOCH + timedelta(microseconds=highest)
    if (last - first).days > 100:
        return None
    place, days = ZoneInfo(zone), (last - first).days + 3
    offsets = {(first + timedelta(days=n)).replace(tzinfo=place).utcoffset() for n in range(-1, days)}
    return offsets.pop() if len(offsets) == 1 else None


def _no(n: int) -> pl.Series:
    return pl.repeat(False, n, dtype=pl.Boolean, eager=True)


def _strptime(words: pl.Series, form: str, zone: str) -> Times:
    """Read times by a format; a fraction at the end may have any number of digits (%f)."""
    fraction = None
    if form.endswith("%f") and not form.endswith(("%3f", "%6f", "%9f")):
        mark = form[-3]
        tail = words.str.extract(rf"{re.escape(mark)}(\d{{1,9}})$")
        fraction = _micros(tail)
        words = words.str.head(words.str.len_chars().cast(pl.Int64) - tail.str.len_chars().cast(pl.Int64) - 1)
        form = form[:-3]
    if "%z" in form:
        ts = words.str.to_datetime(form, time_unit="us", time_zone="UTC", strict=False, cache=False)
        times = Times(ts, _no(len(words)), _no(len(words)))
    else:
        times = localise(words.str.to_datetime(form, time_unit="us", strict=False, cache=False), zone)
    if fraction is None:
        return times
    return Times(times.ts + fraction.cast(pl.Duration("us")), times.doubled, times.nonexistent)


def _micros(digits: pl.Series) -> pl.Series:
    """Return a fraction's digits as whole microseconds (cut, not rounded); null stays null."""
    return digits.str.pad_end(6, "0").str.slice(0, 6).cast(pl.Int64, strict=False)


def _iso8601(words: pl.Series, form: str, zone: str) -> Times:
    """Read 2026-10-23T06:00:00.123+02:00 and its kin (RFC 3339): T or blank, any fraction, Z, offset or none."""
    head, tail = words.str.slice(0, 19), words.str.slice(19)
    leap = (head.str.slice(17, 2) == "60").fill_null(False)
    if leap.any():  # RFC 3339 allows second 60; it is the instant after second 59
        head = pl.select(pl.when(leap).then(head.str.slice(0, 17) + "59").otherwise(head)).to_series()
    head = head.str.replace("[Tt ]", "T")
    wall = head.str.to_datetime("%Y-%m-%dT%H:%M:%S", time_unit="us", strict=False, cache=False)
    parts = tail.str.extract_groups("()" + _ISO_TAIL).struct.unnest()
    fits = parts.to_series(0).is_not_null()
    names = parts.columns
    extra = _micros(parts[names[1]]).fill_null(0) + leap.cast(pl.Int64) * 1_000_000
    wall = pl.select(pl.when(fits).then(wall + extra.cast(pl.Duration("us")))).to_series()
    sign = pl.coalesce(parts[names[3]], parts[names[6]])
    hours = pl.coalesce(parts[names[4]], parts[names[7]]).cast(pl.Int64)
    minutes = parts[names[5]].cast(pl.Int64)
    shift = pl.select(
        pl.when(parts[names[2]].is_not_null()).then(0).when(sign.is_not_null())
        .then((hours * 60 + minutes.fill_null(0)) * pl.when(sign == "-").then(-60_000_000).otherwise(60_000_000))
    ).to_series()  # fmt: skip
    absolute = (wall - shift.cast(pl.Duration("us"))).dt.replace_time_zone("UTC")
    if not (shift.is_null() & wall.is_not_null()).any():
        return Times(absolute, _no(len(words)), _no(len(words)))
    local = localise(pl.select(pl.when(shift.is_null()).then(wall)).to_series(), zone)
    ts = pl.select(pl.coalesce(absolute, local.ts)).to_series()
    return Times(ts, local.doubled, local.nonexistent)


def _epoch(words: pl.Series, form: str, zone: str) -> Times:
    """Read seconds (with or without a fraction), milliseconds or microseconds since 1970."""
    scale = EPOCHS[form]
    whole = words.str.extract(r"^(\d{1,17})(?:[.,]\d+)?$").cast(pl.Int64, strict=False)
    micros = whole * scale
    if words.str.contains("[.,]").any():
        part = _micros(words.str.extract(r"[.,](\d{1,9})$")).fill_null(0)
        micros = micros + part * scale // 1_000_000
    sane = (micros >= EPOCH_FROM) & (micros < EPOCH_TO)
    ts = pl.select(pl.when(sane).then(micros)).to_series().cast(UTC)
    return Times(ts, _no(len(words)), _no(len(words)))


_READERS: Final[dict[str, Callable[[pl.Series, str, str], Times]]] = {
    "iso8601": _iso8601,
    **dict.fromkeys(EPOCHS, _epoch),
}
