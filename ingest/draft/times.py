"""How a log writes its times: where they stand, in which format, and what decides day-first against month-first."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Final

import polars as pl

from ingest.draft.shares import share_of
from ingest.timestamps import parse_times

MONTH: Final = "(?:Jan|Feb|Mar|Apr|May|Jun|Jul|Aug|Sep|Oct|Nov|Dec|JAN|FEB|MAR|APR|MAY|JUN|JUL|AUG|SEP|OCT|NOV|DEC)"
CLOCK: Final = r"[0-9]{1,2}:[0-9]{2}(?::[0-9]{2}(?:[.,:][0-9]{1,9})?)?(?: ?[AaPp][Mm])?"
ZONE: Final = r"(?: ?(?:Z|[+-][0-9]{2}:?[0-9]{2}))?"
DATES: Final = (
    r"[0-9]{4}[-/.][0-9]{1,2}[-/.][0-9]{1,2}",
    r"[0-9]{1,2}[-/.][0-9]{1,2}[-/.][0-9]{4}",
    r"[0-9]{1,2}[-/.][0-9]{1,2}[-/.][0-9]{2}",
    rf"[0-9]{{1,2}}[-/. ]?{MONTH}[-/. ]?(?:[0-9]{{4}}|[0-9]{{2}})",
    rf"{MONTH} +[0-9]{{1,2}},? [0-9]{{4}}",
)
DATE: Final = "(?:" + "|".join(DATES) + ")"
# Ways in which an instant stands in a line, most telling first. Two groups: date and clock apart.
SHAPES: Final = (
    rf"({DATE}(?:[T_ ]|, ?|:| +){CLOCK}{ZONE})",
    rf"({CLOCK}{ZONE}(?: +|, ?){DATE})",
    rf"({MONTH} +[0-9]{{1,2}} {CLOCK} [0-9]{{4}})",
    r"([0-9]{8}[T _-]?[0-9]{6}(?:[.,][0-9]{1,9})?Z?)",
    r"([0-9]{6}[T _-][0-9]{6}(?:[.,][0-9]{1,9})?)",
    rf"({DATE})[^0-9A-Za-z]{{2,5}}({CLOCK}{ZONE})",
    r"([0-9]{16}|[0-9]{13}|[0-9]{10}(?:[.,][0-9]{1,9})?)",
)
DAY_FIRST, MONTH_FIRST, YEAR_FIRST = "day first", "month first", "year first"


@dataclass(slots=True)
class TimeFormat:
    """The formats of a time, the share of the words that they read, how sure it is, and what is open."""

    formats: list[str]
    share: float
    why: str = ""
    question: str = ""  # what the user must decide
    other: list[str] = field(default_factory=list)  # the other candidate


def candidates(word: str) -> list[str]:
    """Return the formats in which one word could be meant, e.g. day first and month first."""
    if re.fullmatch(r"[0-9]{13}", word):
        return ["epoch_ms"]
    if re.fullmatch(r"[0-9]{16}", word):
        return ["epoch_us"]
    if re.fullmatch(r"[0-9]{10}([.,][0-9]{1,9})?", word):
        return ["epoch_s"]
    if re.match(
        r"[0-9]{4}-[0-9]{2}-[0-9]{2}[Tt ][0-9]{2}:[0-9]{2}:[0-9]{2}([.,][0-9]{1,9})?([Zz]|[+-][0-9:]{2,5})?$", word
    ):
        return ["iso8601"]
    for pattern, date in (
        (r"^([0-9]{8})([T _-]?)([0-9]{6})(.*)$", ["%Y%m%d"]),
        (r"^([0-9]{6})([T _-])([0-9]{6})(.*)$", ["%y%m%d", "%d%m%y"]),
    ):
        if m := re.match(pattern, word):
            return [f"{d}{m[2]}%H%M%S{_fraction(m[4])}" for d in date]
    if m := re.match(rf"^({MONTH}) +[0-9]{{1,2}} ({CLOCK}) [0-9]{{4}}$", word):
        return [f"%b %d {_clock(m[2])} %Y"]
    if m := re.match(rf"^({DATE})(, ?|[T_: ] *)({CLOCK})( ?)(Z|[+-][0-9:]{{4,5}})?$", word):
        zone = "" if not m[5] else ("Z" if m[5] == "Z" else "%z")
        return [f"{d}{re.sub(' +', ' ', m[2])}{_clock(m[3])}{m[4]}{zone}" for d in _dates(m[1])]
    if m := re.match(rf"^({CLOCK})( +|, ?)({DATE})$", word):
        return [f"{_clock(m[1])}{re.sub(' +', ' ', m[2])}{d}" for d in _dates(m[3])]
    return []


def _fraction(tail: str) -> str:
    if not tail or tail[0] not in ".,:":
        return tail.replace("%", "")
    digits = len(re.match(r"[0-9]*", tail[1:])[0])  # type: ignore[index]
    form = f"%{digits}f" if digits in (3, 6, 9) else "%f"
    return tail[0] + form + tail[1 + digits :]


def _clock(text: str) -> str:
    """The format of a clock's time."""
    half = re.search(r"( ?)[AaPp][Mm]$", text)
    body = text[: half.start()] if half else text
    _, _, rest = body.partition(":")
    form = ("%I" if half else "%H") + ":%M"
    if ":" in rest or len(rest) > 2:
        form += ":%S" + _fraction(rest[5:])
    return form + (f"{half[1]}%p" if half else "")


def _dates(text: str) -> list[str]:
    """The formats in which a date could be meant."""
    if re.search("[A-Za-z]", text):
        if text[0].isalpha():
            return ["%b %d, %Y" if "," in text else "%b %d %Y"]
        m = re.match(rf"[0-9]+([-/. ]?){MONTH}([-/. ]?)([0-9]+)", text)
        assert m is not None
        return [f"%d{m[1]}%b{m[2]}" + ("%Y" if len(m[3]) == 4 else "%y")]
    mark = re.search("[-/.]", text)
    assert mark is not None
    s = mark[0]
    if re.match("[0-9]{4}", text):
        return [f"%Y{s}%m{s}%d"]
    if re.search("[0-9]{4}$", text):
        return [f"%d{s}%m{s}%Y", f"%m{s}%d{s}%Y"]
    return [f"%d{s}%m{s}%y", f"%m{s}%d{s}%y", f"%y{s}%m{s}%d"]


def order_of(form: str) -> str:
    """Which comes first: day, month or year."""
    places = {form.find(t): name for t, name in
              (("%d", DAY_FIRST), ("%m", MONTH_FIRST), ("%b", MONTH_FIRST), ("%Y", YEAR_FIRST), ("%y", YEAR_FIRST))
              if t in form}  # fmt: skip
    return places[min(places)] if places else ""


def time_format(words: pl.Series, pieces: pl.Series, hints: Sequence[datetime] = ()) -> TimeFormat | None:
    """Find the formats of a column of times; None when these are none.

    words: in the order of the log. pieces: which belong together, e.g. one number per file: there, times mostly rise.
    hints: days from file names and from when files were last written.
    """
    known = words.drop_nulls()
    if not len(known):
        return None
    shapes = known.head(20_000).str.replace_all("[0-9]", "9").value_counts(sort=True)
    tried: dict[str, None] = {}
    first = pl.DataFrame({"w": known, "s": known.str.replace_all("[0-9]", "9")}).unique("s", keep="first")
    example = dict(first.select("s", "w").iter_rows())
    for shape in shapes.to_series(0).head(30).to_list():
        if shape in example:
            tried.update(dict.fromkeys(candidates(example[shape])))
    forms = [f for form in tried for f in _loose(form)]
    readings = {f: parse_times(words, [f], "UTC").ts for f in dict.fromkeys(forms)}
    read = {f: int(ts.is_not_null().sum()) for f, ts in readings.items()}
    chosen: list[str] = []
    left, got = words.is_not_null(), 0
    result = TimeFormat(chosen, 0.0)
    while len(chosen) < 4 and read:
        gain = {f: int((readings[f].is_not_null() & left).sum()) for f in read}
        most = max(gain.values())
        if most < max(0.003 * len(known), 1):
            break
        equal = [f for f in gain if gain[f] >= most * (1 - 1e-3)]
        best = max(equal, key=lambda f: ("%f" not in f, gain[f]))
        rivals = [f for f in equal if _same_but_order(f, best) and f != best]
        if rivals:
            best = _decide([best, *rivals], readings, pieces, hints, result)
        elif not chosen:
            best_order = order_of(best)
            others = [f for f in read if _same_but_order(f, best) and f != best]
            if others:
                no_dates = 100 * (1 - max(read[f] for f in others) / most)
                result.why = f"{best_order}: read the other way, {no_dates:.0f} % of them are no dates"
        chosen.append(best)
        got += gain[best]
        left &= readings[best].is_null()
    result.share = got / len(known)
    return result if chosen else None


def _loose(form: str) -> list[str]:
    """A fraction whose length varies may stand at the end only."""
    if form.endswith(("%3f", "%6f", "%9f")):
        return [form, form[:-3] + "%f"]
    return [form] if "%f" not in form or form.endswith("%f") else []


def _same_but_order(a: str, b: str) -> bool:
    def sort(form: str) -> str:
        return "".join(sorted(form))

    return sort(a) == sort(b)


def _decide(
    forms: list[str], readings: dict[str, pl.Series], pieces: pl.Series, hints: Sequence[datetime], result: TimeFormat
) -> str:
    """Choose between readings that all give dates: by the order of the lines, then by weak evidence; else ask."""
    backwards = {f: _falls(readings[f], pieces) for f in forms}
    fewest = min(backwards.values())
    by_order = [f for f in forms if backwards[f] == fewest]
    if len(by_order) == 1:
        worst = min(v for f, v in backwards.items() if f != by_order[0])
        result.why = f"{order_of(by_order[0])}: so times rise from line to line; else they would fall {worst} times"
        return by_order[0]
    spans = {f: _span_days(readings[f]) for f in by_order}
    shortest = min(spans.values())
    close = [f for f in by_order if spans[f] <= shortest * 1.5 + 1]
    near = [f for f in by_order if any(_near(readings[f], day) for day in hints)]
    if len(near) == 1:
        result.why = f"{order_of(near[0])}: fits the date in the file's name, or when the file was last written"
        result.question = "this is weak evidence; look at a day after the 12th"
        result.other = [f for f in forms if f != near[0]]
        return near[0]
    if len(close) == 1:
        longer = min(v for f, v in spans.items() if f != close[0])
        result.why = f"{order_of(close[0])}: so the lines span {_days(shortest)}, else {_days(longer)}"
        return close[0]
    prior = _custom(by_order)
    result.other = [f for f in forms if f != prior]
    result.question = "both readings give dates that rise; nothing in the sample tells which is meant"
    return prior


def _days(n: float) -> str:
    return "less than a day" if n < 1 else f"{n:.0f} day{'s' if n >= 1.5 else ''}"


def _custom(forms: list[str]) -> str:
    """What is customary: points are written day first, AM and PM month first."""
    wanted = MONTH_FIRST if "%p" in forms[0] else DAY_FIRST
    return next((f for f in forms if order_of(f) == wanted), forms[0])


def _falls(ts: pl.Series, pieces: pl.Series) -> int:
    frame = pl.DataFrame({"ts": ts, "p": pieces}).drop_nulls()
    falls = frame.select(((pl.col("ts").diff() < -pl.duration(hours=12)) & (pl.col("p").diff() == 0)).sum())
    return int(falls.item() or 0)


def _span_days(ts: pl.Series) -> float:
    low, high = ts.min(), ts.max()
    if not isinstance(low, datetime) or not isinstance(high, datetime):
        return 0.0
    return (high - low).total_seconds() / 86_400


def _near(ts: pl.Series, day: datetime) -> bool:
    low, high = ts.min(), ts.max()
    if not isinstance(low, datetime) or not isinstance(high, datetime):
        return False
    return (low - day).total_seconds() < 86_400 * 1.1 and (day - high).total_seconds() < 86_400 * 1.1


def day_in_name(name: str) -> datetime | None:
    """Return the day that a file's name tells, e.g. press-2026-10-23.log."""
    m = re.search(r"(?<![0-9])(20[0-9]{2})[-_.]?([01][0-9])[-_.]?([0-3][0-9])(?![0-9])", name)
    try:
        return datetime(int(m[1]), int(m[2]), int(m[3]), tzinfo=UTC) if m else None
    except ValueError:
        return None


_TO_REGEX: Final = {
    "%Y": r"\d{4}", "%y": r"\d\d", "%m": r"\d{1,2}", "%d": r"\d{1,2}", "%b": r"[A-Za-z]{3}", "%j": r"\d{3}",
    "%H": r"\d{1,2}", "%I": r"\d{1,2}", "%p": "[AaPp][Mm]", "%M": r"\d\d", "%S": r"\d\d", "%3f": r"\d{3}",
    "%6f": r"\d{6}", "%9f": r"\d{9}", "%f": r"\d+", "%z": r"[+-]\d\d:?\d\d",
}  # fmt: skip


def regex_of(forms: Sequence[str], words: pl.Series) -> str:
    """Return a pattern that finds times in these formats; `words` are written in them."""
    found = dict.fromkeys(_tight(_regex(form), words) if len(forms) == 1 else _regex(form) for form in forms)
    return next(iter(found)) if len(found) == 1 else "(?:" + "|".join(found) + ")"


ISO: Final = r"\d{4}-\d\d-\d\d[T ]\d\d:\d\d:\d\d(?:[.,]\d+)?(?:Z|[+-]\d\d:?\d\d)?"


def _tight_iso(words: pl.Series) -> str:
    """Return the pattern of ISO times with just the marks that occur in these."""
    for mark in ("T", " "):
        for fraction in ("", r"\.\d+", r",\d+"):
            for zone in ("", "Z", r"[+-]\d\d:\d\d"):
                regex = rf"\d{{4}}-\d\d-\d\d{mark}\d\d:\d\d:\d\d{fraction}{zone}"
                if share_of(words.drop_nulls().str.contains(f"^(?:{regex})$")) > 0.999:
                    return regex
    return ISO


def _tight(regex: str, words: pl.Series) -> str:
    """Say two digits where there are always two."""
    if regex == ISO:
        return _tight_iso(words)
    tight = regex.replace(r"\d{1,2}", r"\d\d").replace(" +", " ")
    return tight if share_of(words.drop_nulls().str.contains(f"^(?:{tight})$")) > 0.999 else regex


def _regex(form: str) -> str:
    if form == "iso8601":
        return ISO
    if form.startswith("epoch"):
        return {"epoch_ms": r"\d{13}", "epoch_us": r"\d{16}"}.get(form, r"\d{10}(?:[.,]\d+)?")
    parts = re.split(r"(%[369]?[A-Za-z])", form)
    return "".join(
        _TO_REGEX.get(p) or re.escape(p).replace(r"\ ", " +").replace(r"\-", "-").replace(r"\/", "/") for p in parts
    )
