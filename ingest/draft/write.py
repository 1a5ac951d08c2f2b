"""The words of a source file: a draft as TOML, with a comment beside everything that is a guess."""

from __future__ import annotations

import json
import re
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from ingest.draft.fields import SHOWN_WORDS, Field

WIDTH = 110
ROLE_NAMES: Mapping[str, str] = {
    "seq": "running number", "part": "part", "code": "code", "station": "station", "product": "product",
    "carrier": "carrier", "order": "order", "nest": "nest", "result": "verdict", "state": "state", "level": "log level",
    "event": "kind of message", "measured": "measured value", "number": "number", "words": "few words",
    "constant": "always the same", "text": "text", "operator": "person", "time": "time", "unit": "unit",
    "empty": "always empty",
}  # fmt: skip


def quoted(word: str) -> str:
    """Return a TOML string, in single quotes where that saves backslashes."""
    if "\\" in word and "'" not in word and word.isprintable():
        return f"'{word}'"
    return _in_quotes(word)


def _in_quotes(word: str) -> str:
    return json.dumps(word, ensure_ascii=False).replace("\x7f", "\\u007f")


def key(name: str) -> str:
    """Return a TOML key."""
    return name if re.fullmatch(r"[A-Za-z0-9_-]+", name) else _in_quotes(name)


def value(thing: Any) -> str:
    """Return a TOML value."""
    if isinstance(thing, bool):
        return str(thing).lower()
    if isinstance(thing, list):
        return "[" + ", ".join(value(v) for v in thing) + "]"
    return str(thing) if isinstance(thing, int) else quoted(str(thing))


def plain(text: str, most: int = WIDTH) -> str:
    """Return text that may stand in a comment: one line, no control characters, not too long."""
    text = "".join(c if c.isprintable() else " " for c in text.replace("\t", " ⇥ ")).strip()
    return text if len(text) <= most else text[: most - 1] + "…"


def comment(text: str, mark: str = "# ") -> list[str]:
    """Break a comment into lines."""
    lines, line = [], ""
    for word in text.split(" "):
        if line and len(line) + len(word) + 1 > WIDTH:
            lines.append(mark + line)
            line = word
        else:
            line = f"{line} {word}" if line else word
    return [*lines, mark + line]


def beside(text: str, words: str) -> str:
    """Put a comment beside a line, in a column where there is room."""
    return f"{text:<42}  # {plain(words)}" if words else text


def share(n: int, of: int) -> str:
    """Return how many of how many, in words: 1,204 of 5,000 records (24 %)."""
    return f"{n:,} of {of:,} records ({percent(n / of if of else 0)})"


def percent(x: float) -> str:
    """A share in words; nothing is rounded up to 100 %, nor down to 0 %."""
    if 0 < x < 0.001:
        return "under 0.1 %"
    if 0.999 <= x < 1:
        return "99.9 %"
    return f"{x:.1%}".replace(".0%", "%").replace("%", " %")


def words_seen(f: Field, most: int = SHOWN_WORDS) -> str:
    """The words of a field, most frequent first."""
    if f.role == "operator":
        return f"{f.distinct:,} different; not shown here, for they may be names of persons"
    if f.numeric and not f.few:
        return f"{f.low} to {f.high}, {f.distinct:,} different"
    listed = ", ".join(f"{plain(w, 24)} ({n:,})" for w, n in f.words[:most])
    more = f.distinct - min(most, len(f.words))
    return listed + (f" and {more:,} more" if more > 0 else "")


def field_table(fields: Iterable[Field]) -> list[str]:
    """Describe the fields as comments, one line each."""
    rows = []
    for f in fields:
        sure = f"sure: {percent(f.sure)}" if f.role not in ("empty", "time") and f.sure < 1 else ""
        there = "" if f.n == f.of or not f.of else f"in {percent(f.n / f.of)} of the records"
        tail = "; ".join(x for x in (there, sure) if x)
        name = ROLE_NAMES.get(f.role, f.role)
        rows.append(f"#   {f.name:<14} {name:<16} {plain(words_seen(f), 78)}{'  [' + tail + ']' if tail else ''}")
    return rows


def vocabulary(name: str, rows: Sequence[tuple[str, str, int, bool]], more: bool) -> list[str]:
    """Write a vocabulary: (source's word, our word, how often it was seen, whether it is known)."""
    out = [f"[words.{name}]"]
    for word, ours, n, known in rows:
        decide = "" if known else "  DECIDE"
        out.append(beside(f"{key(word)} = {quoted(ours)}", f"{n:,} times{decide}"))
    if more or name == "station":
        out.append(
            beside('"*" = "{word}"', "other words stay as they are; take this line out when the list is complete")
        )
    return out
