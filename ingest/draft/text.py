"""Free text: where its time stands, which words stand in front of every message, and a pattern for each message."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Final

import polars as pl

from ingest.draft.fields import LEVELS
from ingest.draft.sample import FILE, PART
from ingest.draft.shares import share_of
from ingest.draft.templates import ANY, HOLE, REST, VARYING, Template, mine, name_of
from ingest.draft.times import SHAPES, TimeFormat, regex_of, time_format

TIME, CLOCK_MARK = "\x1d", "\x1e"  # stand for the time in a line that is taken apart
HEADER_WORDS: Final = 6
_UNIT: Final = r"^[A-Za-z]{1,8}[-_]?[0-9]{1,3}$"  # M01, ROB2, CELL7
OTHER_BELOW: Final = 0.97  # patterns that cover less get one more, for all other lines with a time


@dataclass(slots=True)
class Pattern:
    """One pattern of the draft: its regex, how many lines of the sample it reads, one of them, its own fields."""

    name: str
    regex: str
    n: int
    example: str
    template: Template
    timed: bool = True
    frame: pl.DataFrame = field(default_factory=pl.DataFrame)

    @property
    def own(self) -> list[str]:
        """The names of its groups."""
        return list(self.frame.columns)


@dataclass(slots=True)
class TextReading:
    """How free text is read: the time, its template and its formats, the patterns, and how many lines there were."""

    patterns: list[Pattern]
    time: TimeFormat
    time_field: str
    lines: int
    untimed: int
    header: list[str] = field(default_factory=list)


@dataclass(slots=True)
class Place:
    """Where the time stands: the shape, and the lines that have one: before, time (date, clock), after."""

    shape: str
    share: float
    found: pl.DataFrame
    rest: pl.DataFrame


def find_time(lines: pl.DataFrame) -> Place | None:
    """Find the shape of time that most lines have in their first 80 characters; None when hardly any has one."""
    best: tuple[int, str] | None = None
    for shape in SHAPES:
        n = int(lines["text"].str.contains(_around(shape)).sum())
        if n and (best is None or n > 1.05 * best[0]):
            best = n, shape
    if best is None or best[0] < 0.02 * lines.height:
        return None
    shape = best[1]
    parts = lines["text"].str.extract_groups(_around(shape)).struct.unnest()
    names = parts.columns
    frame = lines.with_columns(
        before=parts[names[0]], date=parts[names[1]],
        clock=parts[names[2]] if len(names) == 4 else pl.lit(None, pl.String), after=parts[names[-1]],
    )  # fmt: skip
    if len(names) == 4:
        frame = frame.with_columns(
            between=pl.col("text").str.extract(
                _around(shape).replace(")[^0-9A-Za-z]{2,5}(", ")([^0-9A-Za-z]{2,5})("), 3
            )
        )
    found = frame.filter(pl.col("date").is_not_null())
    return Place(shape, found.height / lines.height, found, lines.filter(frame["date"].is_null()))


def _around(shape: str) -> str:
    return rf"^(.{{0,80}}?)(?-u:\b){shape}(?:$|(?-u:\b)|)(.*)$"


def read_text(lines: pl.DataFrame, place: Place, time: TimeFormat) -> TextReading:
    """Mine the patterns of lines (columns file, piece, line, text)."""
    two = place.found["clock"].null_count() < place.found.height
    mark = TIME + (pl.col("between") if two else pl.lit("")) + (CLOCK_MARK if two else "")
    marked = place.found.select(t=_even(pl.col("before") + mark + pl.col("after")))["t"]
    gap = r"\s+" if lines["text"].str.contains(r"\S(?:  |\t)\s*\S").any() else " "
    clocks = _time_groups(time, two, time_words(place))
    columns = _header(marked)
    head, head_names = _header_regex(marked, columns, clocks, gap)
    bodies = marked.str.split(" ").list.slice(len(columns)).list.join(" ")
    taken: set[str] = set()
    patterns = []
    texts = place.found["text"]
    for template in mine(bodies):
        pattern = _pattern(template, head, bodies, gap, taken, head_names, clocks)
        if all(pattern.regex.count(f"(?P<{name}>") == 1 for _, name, _ in clocks):
            patterns.append(pattern)
    patterns = _counted(patterns, texts, "other_lines" if place.found.height else "")
    covered = sum(p.n for p in patterns)
    if covered < OTHER_BELOW * place.found.height:
        before = r"^(?P<before>.*?)" if not columns else ""
        start = head.removesuffix(gap) if columns else before + _clock_regex(clocks)
        regex = f"{start}(?P<rest>.*)$"
        other = Pattern("other", regex, 0, "", Template((REST,)))
        patterns = _counted([*patterns, other], texts, "")
    untimed = _untimed(place.rest, taken)
    field_name = "{date} {clock}" if two else "time"
    return TextReading([*patterns, *untimed], time, field_name, lines.height, place.rest.height, head_names)


def _even(text: pl.Expr) -> pl.Expr:
    return text.str.replace_all(r"\s+", " ").str.strip_chars(" ")


def _time_groups(time: TimeFormat, two: bool, words: pl.Series) -> list[tuple[str, str, str]]:
    """Return (mark, name, regex) of the groups that hold the time."""
    if not two:
        return [(TIME, "time", regex_of(time.formats, words))]
    parts = [form.partition(" ") for form in time.formats]
    return [
        (TIME, "date", regex_of([p[0] for p in parts], words.str.split(" ").list.get(0))),
        (CLOCK_MARK, "clock", regex_of([p[2] for p in parts], words.str.split(" ").list.slice(1).list.join(" "))),
    ]


def _clock_regex(clocks: Sequence[tuple[str, str, str]]) -> str:
    return r"\W+".join(f"(?P<{name}>{regex})" for _, name, regex in clocks)


def _header(marked: pl.Series) -> list[tuple[str, int]]:
    """Find the words in front of every message: the time, running numbers, names in brackets, levels, names of units.

    Returns one (role, place) per word; "time", "number", "level", "word".
    """
    if not len(marked):
        return []
    words = marked.str.split(" ")
    counts = words.list.len()
    columns: list[tuple[str, int]] = []
    seen_time = False
    for place in range(HEADER_WORDS + 3):
        if share_of(counts > place) < 0.995:
            break
        last = share_of(counts > place + 1) < 0.995
        column = words.list.get(place, null_on_oob=True)
        role = _column_role(column)
        if role is None or (last and role == "word"):
            break
        seen_time = seen_time or role == "time"
        columns.append((role, place))
        if last:
            break
    return columns if seen_time else []


def _column_role(column: pl.Series) -> str | None:
    if share_of(column.str.contains(f"[{TIME}{CLOCK_MARK}]")) > 0.995:
        return "time"
    known = column.drop_nulls()
    bare = known.str.strip_chars("[](){}<>:,;|#-*")
    if share_of(known.str.contains(r"^[^0-9A-Za-z]*[0-9]+[^0-9A-Za-z]*$")) > 0.995:
        return "number"
    if share_of(bare.str.to_lowercase().is_in(list(LEVELS))) > 0.99:
        return "level"
    if share_of(bare == "") > 0.995 and known.n_unique() == 1:
        return "mark"
    counts = known.value_counts(sort=True, name="n")
    marked = share_of(known.str.contains(r"^[\[(<{].*[\])>}]:?$|:$|^[a-z_]\w*(?:\.\w+)+:?$")) > 0.99
    few = counts.height <= (60 if marked else 20) and len(known) >= min(4 * counts.height, 200)
    if few and (marked or share_of(bare.str.contains(_UNIT)) >= 0.5):
        return "word"
    return None


def _header_regex(
    marked: pl.Series, columns: Sequence[tuple[str, int]], clocks: Sequence[tuple[str, str, str]], gap: str
) -> tuple[str, list[str]]:
    """Return the beginning of every pattern, and the names of its groups."""
    parts: list[str] = []
    names: list[str] = []
    numbers = {"number": "nr", "level": "level", "word": "unit"}
    for role, place in columns:
        words = marked.str.split(" ").list.get(place, null_on_oob=True).drop_nulls()
        if role == "time":
            part = escaped(_most(words))
            for mark, name, regex in clocks:
                if mark in part:
                    part = part.replace(mark, f"(?P<{name}>{regex})")
                    names.append(name)
            parts.append(part)
            continue
        if role == "mark":
            parts.append(escaped(_most(words)))
            continue
        before, after = _common(words)
        name, n = numbers[role], 2
        while name in names:
            name, n = f"{numbers[role]}{n}", n + 1
        names.append(name)
        inner = r"\d+" if role == "number" else (r"[^\]]*" if after.startswith("]") else r"\S+?" if after else r"\S+")
        parts.append(f"{escaped(before)}(?P<{name}>{inner}){escaped(after)}")
    if not parts:
        return "^", []
    return "^" + (r"\s*" if gap != " " else "") + gap.join(parts) + gap, names


def _common(words: pl.Series) -> tuple[str, str]:
    """Return the marks (no letters, no digits) that nearly all words begin and end with."""
    start, end = (words.str.extract(regex) for regex in ("^([^0-9A-Za-z]*)", "([^0-9A-Za-z]*)$"))
    first, last = _most(start), _most(end)
    return (first if share_of(start == first) > 0.97 else ""), (last if share_of(end == last) > 0.97 else "")


def _most(words: pl.Series) -> str:
    """Return the most frequent word."""
    return str(words.value_counts(sort=True, name="\x00n").to_series(0)[0]) if len(words) else ""


def _pattern(
    template: Template, head: str, bodies: pl.Series, gap: str, taken: set[str], head_names: Sequence[str],
    clocks: Sequence[tuple[str, str, str]],
) -> Pattern:  # fmt: skip
    """Make the regex of a template: first a loose one, which gives the values; these then say how tight it can be."""
    pieces = _pieces(template)
    loose = "^" + "".join(_loose(piece, clocks) for piece in pieces) + "$"
    groups = bodies.str.extract_groups(loose).struct.unnest() if "(" in loose else None
    names: list[str] = [*head_names]
    parts: list[str] = []
    taking = iter(groups.columns if groups is not None else [])
    before = ""
    for kind, text in pieces:
        if kind == "literal":
            part = escaped(text).replace(" ", gap)
            for mark, name, regex in clocks:
                if mark in text:
                    part = part.replace(mark, f"(?P<{name}>{regex})")
                    names.append(name)
            parts.append(part)
            before = text
            continue
        column = next(taking, None)
        values = groups[column].drop_nulls() if groups is not None and column else pl.Series([], dtype=pl.String)
        name = _group_name(before, kind, values, names)
        names.append(name)
        parts.append(_group(kind, name, values))
        before = ""
    tail = "".join(parts)
    if head.endswith(gap) and template.words == ("",):
        head = head.removesuffix(gap)
    name = name_of(template, taken)
    return Pattern(
        name,
        f"{head}{tail}{'' if kind_of_end(pieces) else chr(92) + 's*' if gap != ' ' else ''}$",
        template.n,
        "",
        template,
    )


def kind_of_end(pieces: Sequence[tuple[str, str]]) -> bool:
    """Whether the pattern ends in all the rest of the line."""
    return bool(pieces) and pieces[-1][0] == "rest"


def _pieces(template: Template) -> list[tuple[str, str]]:
    """Take a template apart: ("literal", text), ("hole", ""), ("any", ""), ("rest", "")."""
    kinds = {HOLE: "hole", ANY: "any", REST: "rest"}
    pieces = re.split(f"([{HOLE}{ANY}{REST}])", " ".join(template.words))
    return [(kinds.get(piece, "literal"), "" if piece in kinds else piece) for piece in pieces if piece]


def _loose(piece: tuple[str, str], clocks: Sequence[tuple[str, str, str]]) -> str:
    kind, text = piece
    if kind == "literal":
        return escaped(text)
    return {"hole": rf'("[^"]*"|{VARYING})', "any": r"(\S+)", "rest": "(.*)"}[kind]


def _group_name(before: str, kind: str, values: pl.Series, names: Sequence[str]) -> str:
    """Name a group after the word in front of it: part 17 -> part, nest=2 -> nest."""
    if kind == "rest":
        base = "rest"
    else:
        words = re.findall(r"[A-Za-z][A-Za-z_]*", before)
        close = re.search(r"([A-Za-z][A-Za-z_]*)\W*$", before)
        base = close[1].lower().strip("_") if close and words else "word"
        if not base or base in (
            "pattern",
            "line",
            "file",
            "piece",
            "row",
            "of",
            "the",
            "is",
            "a",
            "time",
            "date",
            "clock",
        ):
            base = "word"
    name, n = base, 2
    while name in names:
        name, n = f"{base}{n}", n + 1
    return name


def _group(kind: str, name: str, values: pl.Series) -> str:
    if kind == "rest":
        return f"(?P<{name}>.*)"
    for regex in (r"\d+", r"-?\d+(?:[.,]\d+)?", r"[+-]?\d+(?:[.,]\d+)?", r"\w+", r"[\w.-]+"):
        if len(values) and bool(values.str.contains(f"^(?:{regex})$").all()):
            return f"(?P<{name}>{regex})"
    if len(values) and bool(values.str.starts_with('"').all()):
        return f'"(?P<{name}>[^"]*)"'
    if len(values) and values.str.contains(" ").any():
        return f"(?P<{name}>.+?)"
    return f"(?P<{name}>\\S+)"


def _counted(patterns: list[Pattern], texts: pl.Series, _: str) -> list[Pattern]:
    """Apply the patterns in order, as the loader does; keep those that read lines, with these lines' fields."""
    out = []
    left = texts.to_frame("text").with_row_index("row")
    for pattern in patterns:
        if not left.height:
            break
        groups = left["text"].str.extract_groups(f"()(?:{pattern.regex})").struct.unnest()
        matched = groups.to_series(0).is_not_null()
        n = int(matched.sum())
        if not n:
            continue
        rows = left.filter(matched)
        pattern.n, pattern.example = n, rows["text"][0]
        pattern.frame = groups.filter(matched).drop(groups.columns[0])
        pattern.frame = pattern.frame.with_columns(row=rows["row"])
        out.append(pattern)
        left = left.filter(~matched)
    return out


def _untimed(rest: pl.DataFrame, taken: set[str]) -> list[Pattern]:
    """Patterns for lines without a time: they go on a record, or belong to none; all are left out."""
    if not rest.height:
        return []
    patterns: list[Pattern] = []
    if rest["text"].str.contains(r"^\s+\S").any():
        patterns.append(Pattern("continued", r"^\s+\S.*$", 0, "", Template(("continued",)), timed=False))
    others = rest.filter(~pl.col("text").str.contains(r"^\s"))
    for template in mine(_even_series(others["text"])) if others.height else []:
        pieces = _pieces(template)
        if not any(len(re.findall("[A-Za-z=*#_-]", w)) > 2 for w in template.literals):
            continue  # a pattern of nothing but holes would leave out lines that nobody has seen
        regex = "".join(
            escaped(text).replace(" ", r"\s+") if kind == "literal"
            else {"hole": r".+?", "any": r"\S+", "rest": ".*"}[kind]
            for kind, text in pieces
        )  # fmt: skip
        name = name_of(template, taken)
        patterns.append(Pattern(f"no_time_{name}", f"^{regex}\\s*$", 0, "", template, timed=False))
    return _counted(patterns[:25], rest["text"], "")


def _even_series(texts: pl.Series) -> pl.Series:
    return texts.to_frame("t").select(_even(pl.col("t")))["t"]


def format_at(place: Place, hints: Sequence[datetime]) -> TimeFormat | None:
    """Find the format of the times at a place."""
    return time_format(time_words(place), place.found[FILE] * 10 + place.found[PART], hints)


def time_words(place: Place) -> pl.Series:
    """Return the times at a place as words; date and clock with a blank between them."""
    both = pl.col("date") + " " + pl.col("clock")
    return place.found.select(pl.when(pl.col("clock").is_null()).then("date").otherwise(both).alias("t"))["t"]


def escaped(text: str) -> str:
    """Return a regex for these very words, without needless backslashes."""
    return re.sub(r"([\\.+*?()|\[\]{}^$])", r"\\\1", text)
