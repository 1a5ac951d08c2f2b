"""Which format a sample is in, and with which options: each candidate is tried with the format's own parser."""

from __future__ import annotations

import csv
import json
import re
from collections import Counter
from dataclasses import dataclass, field
from typing import Any, Final

import polars as pl

from ingest.draft.sample import FILE, LINE, PART, WHERE, Sample
from ingest.draft.shares import share_of
from ingest.draft.times import CLOCK, DATE, SHAPES
from ingest.formats import BY_NAME
from ingest.raw import Block

DELIMITERS: Final = (";", "\t", "|", ",", "^", "~", "!")
COMMENTS: Final = ("#", "//", "%", "*", "!", "--", ";")
PAIRS: Final = (
    ("=", ""),
    ("=", ";"),
    ("=", ","),
    ("=", "|"),
    (":", ";"),
    (":", ","),
    (":", "|"),
    (":", "\t"),
    (":", ""),
)
LINES_LOOKED_AT: Final = 4_000
_TIME: Final = "|".join(f"(?:{s})" for s in SHAPES)


@dataclass(slots=True)
class Reading:
    """A format with its [read] options and what it makes of the sample.

    frame   one row per record: file, piece, line, then one String column per field
    lines   how many lines were tried; `share` of them are records
    notes   what is to be said beside an option: key -> comment
    """

    format: str
    read: dict[str, Any]
    frame: pl.DataFrame
    lines: int
    share: float
    fields: list[str] = field(default_factory=list)
    notes: dict[str, str] = field(default_factory=dict)
    named: bool = True  # false: the names of the columns are ours


def sniff(sample: Sample) -> Reading | None:
    """Return how the lines are read; None when they are free text."""
    lines = sample.lines()
    comment = _comment(lines)
    kept = lines.filter(~pl.col("text").str.starts_with(comment)) if comment else lines
    texts = kept["text"].gather_every(max(kept.height // LINES_LOOKED_AT, 1)).to_list()
    if not texts:
        return None
    reading = None
    if _share(texts, r"^\s*\{.*\}\s*$") > 0.9:
        reading = _json(sample, texts, comment)
    elif _share(texts, r"^(?:[1-9][0-9]* )?<[0-9]{1,3}>1 ") > 0.9:
        reading = _syslog(sample, comment)
    elif (
        _share(texts, r"^[^|]*[0-9]T[0-9:]+[^|]*\|[^|]+\|") > 0.8
        and _uneven(texts, "|")
        and "mtconnect_adapter" in BY_NAME
    ):
        reading = _adapter(sample, texts)
    if reading is None:
        reading = _pairs(sample, texts, comment) or _delimited(sample, kept, comment)
    return reading


def _share(texts: list[str], pattern: str) -> float:
    return share_of(pl.Series(texts).str.contains(pattern))


def _comment(lines: pl.DataFrame) -> str:
    """A sign at the beginning of lines at the head of a file, and not of most lines."""
    heads = lines.filter((pl.col(PART) == 0) & (pl.col("line") <= 50))["text"]
    for sign in COMMENTS:
        of_lines = share_of(lines["text"].str.starts_with(sign))
        first = heads.head(1).str.starts_with(sign).any()
        if first and 0 < of_lines < 0.5 and not heads.head(1).str.contains(_TIME).any():
            return sign
    return ""


def read_with(
    sample: Sample, name: str, read: dict[str, Any], fields: list[str]
) -> tuple[pl.DataFrame, int, pl.DataFrame]:
    """Read the sample with a format; returns the records, how many lines are none of them, and these."""
    module = BY_NAME[name]
    options = module.Options(**read)
    fields = [f for f in fields if f != LINE]
    frames, bad = [], []
    skipped = 0
    for n, file in enumerate(sample.files):
        if not file.blocks:
            continue
        parse = module.parser(options, fields, {}, file.blocks[0], file.path.name)
        for piece, block in enumerate(file.blocks):
            records = parse(block)
            skipped += records.skipped
            frames.append(records.frame.with_columns(pl.lit(n).alias(FILE), pl.lit(piece).alias(PART)))
            bad.append(records.bad)
    schema = {"line": pl.Int64, **dict.fromkeys(fields, pl.String), FILE: pl.Int32, PART: pl.Int32}
    frame = pl.concat(frames, how="diagonal_relaxed") if frames else pl.DataFrame(schema=schema)
    wrong = pl.concat(bad) if bad else pl.DataFrame()
    return frame.select(*WHERE, *fields), skipped, wrong


def _reading(sample: Sample, name: str, read: dict[str, Any], fields: list[str], notes: dict[str, str]) -> Reading:
    if LINE in fields:  # records have a column of this name
        fields = [f for f in fields if f != LINE]
        notes["fields"] = f"the field '{LINE}' cannot be used under this name"
    frame, _, wrong = read_with(sample, name, read, fields)
    total = frame.height + wrong.height
    filled = [f for f in fields if frame[f].null_count() < frame.height]
    frame = frame.select(*WHERE, *filled)
    return Reading(name, read, frame, total, frame.height / max(total, 1), filled, notes)


def _json(sample: Sample, texts: list[str], comment: str) -> Reading | None:
    names: dict[str, None] = {}
    notes: dict[str, str] = {}
    good = 0
    for text in texts:
        try:
            value = json.loads(text)
        except (ValueError, RecursionError):
            continue
        good += 1
        for name in _paths(value, "", notes):
            names[name] = None
    if good < 0.8 * len(texts):
        return None
    read = {"comment": comment} if comment else {}
    return _reading(sample, "json_lines", read, list(names)[:200], notes)


def _paths(value: object, way: str, notes: dict[str, str]) -> list[str]:
    """Name the members of an object that hold values, in depth; of lists the first three."""
    if isinstance(value, dict):
        found = []
        for key, below in value.items():
            if "." in key or "'" in key or not key:
                notes["fields"] = f"the member '{key}' cannot be addressed: its name has a dot or a quote in it"
                continue
            if re.search(r"[{}:]", key):
                notes["fields"] = f"the member '{key}' cannot be addressed: its name has a brace or a colon in it"
                continue
            found += _paths(below, f"{way}.{key}" if way else key, notes)
        return found
    if isinstance(value, list):
        if len(value) > 3:
            notes["lists"] = f"of the list '{way}' only the first three members are looked at here"
        return [name for n, below in enumerate(value[:3]) for name in _paths(below, f"{way}.{n}", notes)]
    return [way] if way else []


def _syslog(sample: Sample, comment: str) -> Reading | None:
    if "syslog" not in BY_NAME:
        return None
    found: Counter[str] = Counter()
    for block in sample.blocks:
        texts = block.as_lines()["text"]
        for element in (
            texts.str.extract_all(r"\[[^ \]=]+(?: [^ =\]]+=\"(?:[^\"\\\]]|\\.)*\")+\]")
            .explode()
            .drop_nulls()
            .head(5_000)
        ):
            name = element[1:].split(" ")[0]
            found.update(f"{name}.{key}" for key in re.findall(r' ([^ =\]"]+)="', element))
    fields = ["time", "host", "app", "procid", "msgid", "severity_name", "msg", *list(found)[:80]]
    return _reading(sample, "syslog", {"comment": comment} if comment else {}, fields, {})


def _adapter(sample: Sample, texts: list[str]) -> Reading:
    """Lines time|key|value|key|value …; a key with a level and four more values is a condition."""
    found: dict[str, None] = {}
    read: dict[str, Any] = {}
    for text in texts:
        parts = text.split("|")
        if len(parts) == 7 and parts[2].upper() in ("NORMAL", "WARNING", "FAULT", "UNAVAILABLE"):
            if parts[1] not in read.setdefault("conditions", []):
                read["conditions"].append(parts[1])
        elif len(parts) == 4:
            if parts[1] not in read.setdefault("messages", []):
                read["messages"].append(parts[1])
        else:
            found.update(dict.fromkeys(parts[1::2]))
    own = [f"{key}.{part}" for key in read.get("conditions", []) for part in ("level", "native_code", "text")]
    own += [f"{key}.{part}" for key in read.get("messages", []) for part in ("native_code", "text")]
    return _reading(sample, "mtconnect_adapter", read, ["time", *found, *own], {})


def _uneven(texts: list[str], mark: str) -> bool:
    """Whether lines have different numbers of the mark, nearly all even: a time, then pairs."""
    counts = [t.count(mark) for t in texts]
    return len(set(counts) - {0}) > 1 and sum(n % 2 == 0 for n in counts) > 0.9 * len(counts)


def _pairs(sample: Sample, texts: list[str], comment: str) -> Reading | None:
    """key=value lines, when the time stands in one of the pairs."""
    best: Reading | None = None
    for pair, delimiter in PAIRS:
        end = re.escape(delimiter) if delimiter else r"\s"
        key = r"[A-Za-z_][\w.\-]{0,40}"
        own = rf"(?:^|{end})\s*({key})\s*{re.escape(pair)}" if delimiter else rf"(?:^|\s)({key}){re.escape(pair)}"
        found = pl.Series(texts).str.extract_all(own)
        if share_of(found.list.len() >= 2) < 0.9:
            continue
        # what stands before the first pair is lost to this format, and often it is the time
        if share_of(pl.Series(texts).str.extract(rf"^(.*?)(?:{own})", 1).str.contains(f"{DATE}|{CLOCK}")) > 0.3:
            continue
        keys = Counter(re.sub(r"[^\w.\-]", "", m) for row in found.to_list() for m in row)
        names = [k for k, n in keys.items() if n >= max(2, len(texts) // 2_000)]
        read: dict[str, Any] = {}
        if pair != "=":
            read["pair"] = pair
        if delimiter:
            read["delimiter"] = delimiter
        if comment:
            read["comment"] = comment
        reading = _reading(sample, "key_value", read, names[:120], {})
        if reading.share < 0.9 or not any(_timelike(reading.frame[f]) for f in reading.fields):
            continue
        if best is None or (reading.share, len(reading.fields)) > (best.share + 0.01, len(best.fields)):
            best = reading
    return best


def _timelike(words: pl.Series) -> bool:
    some = words.drop_nulls().head(500)
    return len(some) > 0 and share_of(some.str.contains(f"^(?:{_TIME})$")) > 0.8


def _delimited(sample: Sample, kept: pl.DataFrame, comment: str) -> Reading | None:
    found: list[tuple[float, int, str]] = []
    texts = kept["text"].gather_every(max(kept.height // LINES_LOOKED_AT, 1))
    bare = texts.str.replace_all(r'"[^"]*"', "")
    for mark in DELIMITERS:
        counts = bare.str.count_matches(mark, literal=True)
        n = counts.filter(counts > 0).mode().sort()
        if not len(n):
            continue
        share = share_of(counts == n[-1])
        spaced = share_of(bare.str.contains(re.escape(mark) + " ")) if mark in ",!" else 0
        if share >= 0.9 and (n[-1] >= 2 or (mark not in ",!" and n[-1] >= 1)) and spaced < 0.5:
            found.append((round(share, 2), int(n[-1]) + 1, mark))
    if not found:
        return None
    share, width, mark = max(found, key=lambda f: (f[0] >= 0.97, f[1]))
    if texts.str.split(mark).list.get(0).str.len_chars().median() > 60:  # type: ignore[operator]
        return None
    read: dict[str, Any] = {"delimiter": mark}
    notes = {"delimiter": f"{100 * share:.0f} % of the lines have {width} fields"}
    if comment:
        read["comment"] = comment
    heads = [_first_lines(file.blocks[0], comment, mark, width) for file in sample.files if file.blocks]
    skip = {n for n, _ in heads}
    first = skip.pop() if len(skip) == 1 else 0
    if first:
        read["skip_first"] = first
        notes["skip_first"] = f"the first {first} line{'s' if first > 1 else ''} of each file: no records"
    firsts = [row for _, row in heads]
    named = [bool(f) and _is_header(f, kept, mark) for f in firsts]
    if named and all(named):
        read["header"] = True
        fields = [c.strip() for c in firsts[0]]
        notes["header"] = "the first line of each file names the columns"
        odd = (
            any(f != firsts[0] for f in firsts)
            or len(set(fields)) < len(fields)
            or any(re.search("[{}:]", f) or f in ("", LINE) for f in fields)
        )
        if odd:  # names that cannot be used, or differ: name the columns here, and leave out the first line
            fields = _usable(fields)
            read["columns"] = fields
            notes["columns"] = (
                "some names in the header are empty, come twice or cannot stand in braces; these are used"
            )
    else:
        fields = [f"c{n}" for n in range(1, width + 1)]
        if any(named):
            known = firsts[named.index(True)]
            fields = _usable(known)
            read["comment"] = known[0] + mark
            notes["comment"] = "some files begin with a header, others do not: it is left out"
        read["columns"] = fields
    if share_of(texts.str.count_matches('"') % 2 == 1) > 0.02:
        read["quote"] = ""
        if read.get("header"):  # then quotes are part of the names
            read["columns"] = fields = _usable(fields)
        notes["quote"] = "quotes are not paired, so they are read as plain signs"
    reading = _reading(sample, "delimited", read, list(dict.fromkeys(fields)), notes)
    reading.named = any(named)
    return reading if reading.share >= 0.85 else None


def _usable(names: list[str]) -> list[str]:
    out: list[str] = []
    for n, name in enumerate(names, 1):
        name = re.sub(r"[{}:]", "_", name.strip()) or f"c{n}"
        out.append(name if name not in (*out, LINE) else f"{name}_{n}")
    return out


def _first_lines(block: Block, comment: str, mark: str, width: int) -> tuple[int, list[str]]:
    """Return how many lines of a file come before its first with the right number of fields, and that one's fields."""
    for n, text in enumerate(block.as_lines()["text"].head(60).to_list()):
        if (comment and text.startswith(comment)) or not text.strip():
            continue
        try:
            row = next(csv.reader([text], delimiter=mark))
        except (csv.Error, StopIteration):
            continue
        if len(row) == width:
            return (0 if comment else n), row
    return 0, []


def _is_header(row: list[str], kept: pl.DataFrame, mark: str) -> bool:
    """Names: no time and no number among them, and what stands below them differs."""
    if any(re.search(r"^[-+0-9.,: ]+$|" + _TIME, word) for word in row if word.strip()):
        return False
    if len([w for w in row if w.strip()]) < 2 or sum(bool(w.strip()) for w in row) < 0.6 * len(row):
        return False
    again = kept.filter(pl.col("text").str.starts_with(mark.join(row[:2]))).height
    return again <= kept[FILE].n_unique() + 2
