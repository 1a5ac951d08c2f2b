"""Message templates: lines that differ only in numbers and names are of one kind. For drafts and for the quarantine."""

from __future__ import annotations

import re
from collections import Counter, defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Final

import polars as pl

HOLE: Final = "\x1a"  # stands for what varies
SHOWN_HOLE: Final = "…"

# A word with a digit in it, with what hangs on it: 17, -1.5, R1, F-12, T0401/01, 06:00:00,250, a quoted text, a uuid.
# It is said in ASCII classes, which are quicker than \w.
_WORD: Final = "[0-9A-Za-z_]*[0-9][0-9A-Za-z_]*"
VARYING: Final = rf"(?:[A-Za-z_]+-)?[-+]?{_WORD}(?:[.,:/-]{_WORD})*"
_QUOTED: Final = r'"[^"\x1d\x1e]*"'  # but not the marks of a time
_MASK: Final = rf"{_QUOTED}|{VARYING}"


def masked(text: pl.Expr) -> pl.Expr:
    """Return a text column with HOLE in the place of all that varies: numbers, words with digits, quoted text."""
    return text.str.replace_all(_MASK, HOLE).str.replace_all(" +", " ")


def grouped(lines: pl.DataFrame, by: Sequence[str]) -> pl.DataFrame:
    """Group lines (columns `by`, file, line, text) by template: by, template, n, file, line, text of the first.

    Sorted by n, most frequent first.
    """
    return (
        lines.with_columns(template=masked(pl.col("text")).str.replace_all(HOLE, SHOWN_HOLE, literal=True))
        .group_by([*by, "template"], maintain_order=True)
        .agg(pl.len().cast(pl.Int64).alias("n"), pl.col("file", "line", "text").first())
        .sort("n", maintain_order=True, descending=True)
    )


@dataclass(slots=True)
class Template:
    """One kind of message: its words (HOLE in them varies; a word ANY is a word of any kind, REST is all the rest)."""

    words: tuple[str, ...]
    n: int = 0
    example: str = ""

    @property
    def literals(self) -> list[str]:
        """The words that do not vary."""
        return [w for w in self.words if HOLE not in w and w not in (ANY, REST)]


ANY: Final = "\x1b"
REST: Final = "\x1c"
MOST: Final = 40  # templates of a draft
RARE: Final = 0.002  # of the lines

# These words say what happened: templates that differ in them are never put together.
TELLING: Final = frozenset(
    [
        "start",
        "started",
        "starts",
        "begin",
        "begins",
        "began",
        "end",
        "ended",
        "ends",
        "done",
        "finish",
        "finished",
        "complete",
        "completed",
        "ok",
        "nok",
        "pass",
        "passed",
        "fail",
        "failed",
        "good",
        "bad",
        "reject",
        "rejected",
        "on",
        "off",
        "in",
        "out",
        "up",
        "down",
        "open",
        "opened",
        "close",
        "closed",
        "set",
        "reset",
        "raised",
        "cleared",
        "gone",
        "came",
        "alarm",
        "warning",
        "error",
        "fault",
        "info",
        "stop",
        "stopped",
        "running",
        "run",
        "idle",
        "wait",
        "waits",
        "waiting",
        "blocked",
        "starved",
        "ready",
        "load",
        "loaded",
        "unload",
        "unloaded",
        "enter",
        "entered",
        "leave",
        "left",
        "alive",
        "heartbeat",
        "connected",
        "disconnected",
        "true",
        "false",
        "active",
        "inactive",
        "pick",
        "place",
        "picked",
        "placed",
        "clamp",
        "unclamp",
        "extended",
        "retracted",
        "manual",
        "auto",
        "automatic",
        "anfang",
        "ende",
        "fertig",
        "gut",
        "schlecht",
        "ein",
        "aus",
        "störung",
        "stoerung",
        "quittiert",
        "start",
        "stopp",
        "gestartet",
        "beendet",
        "not",
        "no",
        "received",
        "sent",
    ]
)


def mine(bodies: pl.Series) -> list[Template]:
    """Find the message templates of some texts, most frequent first.

    Templates that differ in a word that names something (a place, a tool) become one; those that differ in a word
    that says what happened (begin, end, on, off …) stay apart. Rare ones are put together by their first words.
    """
    texts = bodies.to_frame("text").with_columns(template=masked(pl.col("text").str.strip_chars_end(" ")))
    counts = texts.group_by("template", maintain_order=True).agg(n=pl.len(), example=pl.col("text").first())
    found = [Template(tuple(t.split(" ")), n, e) for t, n, e in counts.iter_rows()]
    found = _merged(found)
    found = _by_first_words(found, len(bodies))
    return sorted(found, key=lambda t: (-t.n, t.words))


def _telling(word: str) -> bool:
    return word.strip(".,:;!()[]").lower() in TELLING


def _merged(templates: list[Template]) -> list[Template]:
    """Put templates together that differ in one naming word."""
    groups: dict[tuple[int, str], list[Template]] = defaultdict(list)
    for template in templates:
        groups[len(template.words), template.words[0]].append(template)
    out: list[Template] = []
    for (length, _), group in groups.items():
        for place in reversed(range(1, length)):
            group = _merged_at(group, place)
        out += group
    return out


def _merged_at(group: list[Template], place: int) -> list[Template]:
    same: dict[tuple[str, ...], list[Template]] = defaultdict(list)
    for template in group:
        same[(*template.words[:place], *template.words[place + 1 :])].append(template)
    out: list[Template] = []
    for rest, alike in same.items():
        names = {t.words[place] for t in alike}
        solid = sum(HOLE not in w and w != ANY for w in rest)
        telling = sum(_telling(w) for w in names)
        few = len(names) == 2 and (telling or (solid < 2 and not _names(names)))
        if len(alike) < 2 or not solid or 2 * telling >= len(names) or few:
            out += alike
            continue
        words = (*rest[:place], ANY, *rest[place:])
        best = max(alike, key=lambda t: t.n)
        out.append(Template(words, sum(t.n for t in alike), best.example))
    return out


def _names(words: Iterable[str]) -> bool:
    """Whether the words look like names of things: capitals, or marks within."""
    return all(HOLE in w or not w.islower() or "_" in w for w in words)


def _by_first_words(templates: list[Template], lines: int) -> list[Template]:
    """Put rare templates together by their first words, so that few templates cover most lines."""
    templates = sorted(templates, key=lambda t: -t.n)
    least = max(RARE * lines, 2 if lines > 50 else 1)
    kept = [t for n, t in enumerate(templates) if t.n >= least and n < MOST]
    rare = [t for n, t in enumerate(templates) if t.n < least or n >= MOST]
    for depth in (3, 2, 1):
        starts: Counter[tuple[str, ...]] = Counter()
        kinds: Counter[tuple[str, ...]] = Counter()
        for t in rare:
            if len(t.words) > depth:
                starts[t.words[:depth]] += t.n
                kinds[t.words[:depth]] += 1
        for start, n in starts.items():
            if kinds[start] < (3 if depth > 1 else 2) or all(HOLE in w for w in start) or ANY in start:
                continue
            alike = [t for t in rare if len(t.words) > depth and t.words[:depth] == start]
            kept.append(Template((*start, REST), n, max(alike, key=lambda t: t.n).example))
            rare = [t for t in rare if t not in alike]
    room = max(MOST + 10 - len(kept), 0)
    return kept + (rare[:room] if lines <= 2_000 else [t for t in rare[:room] if t.n > 1])


def name_of(template: Template, taken: set[str]) -> str:
    """Return a name for the pattern, made of the template's own words."""
    words = [re.sub(r"[^a-z0-9]+", "_", w.lower()).strip("_") for w in template.literals]
    base = "_".join([w for w in words if w][:3])[:40] or ("values" if template.words != (REST,) else "other")
    name, n = base, 2
    while name in taken:
        name, n = f"{base}_{n}", n + 1
    taken.add(name)
    return name
