"""Records of a document that is neither lines nor a table: collected one by one, and given out in numbered blocks."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final

import polars as pl

from ingest.formats.base import Parse, Records, empty_to_null
from ingest.formats.rows import row_texts, taken
from ingest.raw import BAD_SCHEMA, SHOWN_CHARS, Block

ROWS: Final = 50_000
CELLS: Final = 4_000_000  # of a block: a document in which every record has other fields must not fill the memory
MOST_FIELDS: Final = 1_000  # of one record
_NAMES: dict[str, str] = {}  # of fields, as they were seen before: documents repeat few names


@dataclass(slots=True)
class Rows:
    """Takes records one by one and gives them out in blocks; a record that is not understood gets a number, too."""

    first: int = 1
    _rows: list[Mapping[str, str]] = field(default_factory=list)
    _numbers: list[int] = field(default_factory=list)
    _bad: list[tuple[int, str, str]] = field(default_factory=list)
    _names: dict[str, None] = field(default_factory=dict)

    def add(self, row: Mapping[str, str]) -> None:
        """Take a record: words by the names of their fields."""
        if len(row) > MOST_FIELDS:
            self.add_bad(f"the record has {len(row):,} fields, at most {MOST_FIELDS:,} are read", ", ".join(row))
            return
        self._numbers.append(self._next())
        self._rows.append(row)
        self._names.update(dict.fromkeys(row))

    def add_bad(self, reason: str, text: str) -> None:
        """Take what is no record, for the quarantine."""
        self._bad.append((self._next(), clean(reason), clean(text)[:SHOWN_CHARS]))

    def _next(self) -> int:
        return self.first + len(self._rows) + len(self._bad)

    @property
    def is_full(self) -> bool:
        """Whether it is time to take a block."""
        n = len(self._rows) + len(self._bad)
        return n >= ROWS or n * len(self._names) >= CELLS

    def take(self) -> Block | None:
        """Return what was collected as a block, and begin a new one; None when there is nothing."""
        n = len(self._rows) + len(self._bad)
        if not n:
            return None
        columns = [_column(name, [row.get(name) for row in self._rows]) for name in self._names]
        numbers = pl.Series("line", self._numbers, dtype=pl.Int64)
        bad = pl.DataFrame(self._bad, schema=BAD_SCHEMA, orient="row") if self._bad else None
        block = Block(b"", self.first, n, bad=bad, numbers=numbers, frame=pl.DataFrame(columns))
        self.first += n
        self._rows, self._numbers, self._bad, self._names = [], [], [], {}
        return block


def _column(name: str, words: list[str | None]) -> pl.Series:
    try:
        return pl.Series(name, words, dtype=pl.String)
    except UnicodeEncodeError:  # JSON may hold halves of a sign
        return pl.Series(name, [w if w is None else clean(w) for w in words], dtype=pl.String)


def clean(text: str) -> str:
    """Return the text with "?" for what cannot be written in UTF-8."""
    return text if text.isascii() else text.encode("utf-8", "replace").decode()


def field_name(name: str) -> str:
    """Return how a name of the document is written in a source file, where ":" stands before a vocabulary.

    `line` is the number of a record, so a field of that name is `line_`.
    """
    if (known := _NAMES.get(name)) is None:
        known = clean(name).replace(":", "_").replace("{", "(").replace("}", ")").strip() or "_"
        known = "line_" if known == "line" else known
        if len(_NAMES) < MOST_FIELDS:
            _NAMES[name] = known
    return known


def parser(fields: Sequence[str]) -> Parse:
    """Return the function that takes the fields that the source asks for."""

    def parse(block: Block) -> Records:
        frame = taken(block, fields)
        return Records(empty_to_null(frame), row_texts(frame))

    return parse
