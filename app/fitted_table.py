"""A table that fits the screen: columns that have no room are left out and named, never cut off in silence."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from rich.console import Console, ConsoleOptions, RenderResult
from rich.text import Text

from app.tables import grid

BETWEEN = 3
"""Characters between two columns."""
WORDS = 16
"""Columns of words are given so much room, or their longest word, before they wrap."""
LONGEST_WORD = 30
KEPT = 3
"""So many columns at the left are never left out: they say what a row is."""
NOTHING = "–"
PLACES = ("log lines", "part", "evidence", "first_file", "first_line", "file", "key", "id", "order")
DETAIL = re.compile(r"(^|_)(p|q|chance|false|chi2|u|cv|edges|rest|even|text)(_share)?$")


@dataclass(frozen=True)
class Column:
    """One column as it is printed: `whole` columns (numbers, instants) never wrap."""

    name: str
    heading: str
    cells: Sequence[str]
    right: bool
    whole: bool

    @property
    def width(self) -> int:
        """The room that the column needs to be read."""
        head = max((len(word) for word in self.heading.split()), default=1)
        if self.whole:
            return max([head, *(len(cell) for cell in self.cells)])
        longest = max((len(word) for cell in self.cells for word in cell.split()), default=1)
        whole = max((len(cell) for cell in self.cells), default=1)
        return max(head, min(whole, max(min(longest, LONGEST_WORD), WORDS)))


@dataclass(frozen=True)
class FittedTable:
    """A table of a study under its name."""

    name: str
    columns: Sequence[Column]
    below: str | None = None
    """A column that is listed below the table, row by row under the name of the first column, where it has no room."""

    def __rich_console__(self, console: Console, options: ConsoleOptions) -> RenderResult:
        shown = fitting(self.columns, options.max_width)
        right = [n for n, c in enumerate(shown) if c.right]
        whole = [n for n, c in enumerate(shown) if c.whole]
        rows = list(zip(*(c.cells for c in shown), strict=True))
        table = grid([c.heading for c in shown], rows, right=right, whole=whole)
        for column, printed in zip(shown, table.columns, strict=True):
            printed.min_width = column.width if column.whole else min(column.width, LONGEST_WORD)
            if (column.whole and column.right) or len(column.heading) > column.width:
                printed.header = Text("\n".join(column.heading.split()), justify="right" if column.right else "left")
        yield table
        left_out = [c.name for c in self.columns if c not in shown and set(c.cells) != {NOTHING}]
        if self.below in left_out:
            left_out.remove(self.below)
            yield from self._listed()
        if left_out:
            yield Text(
                f"no room for {', '.join(left_out)}: --table {self.name} --format csv has all columns", style="dim"
            )

    def _listed(self) -> Iterator[Text]:
        (column,) = (c for c in self.columns if c.name == self.below)
        said: dict[str, list[str]] = {}
        for first, cell in zip(self.columns[0].cells, column.cells, strict=True):
            said.setdefault(first, []).append(cell)
        for first, cells in said.items():
            known = [cell for cell in dict.fromkeys(cells) if cell != NOTHING]
            if known:
                yield Text(f"{column.heading} of {self.columns[0].heading} {first}: {', '.join(known)}", style="dim")


def fitting(columns: Sequence[Column], room: int) -> list[Column]:
    """Choose the columns that fit: empty ones and places in logs go first, then details of tests, then from the right.

    The lower and the upper end of an interval go together.
    """
    shown = list(columns)
    if needed(shown) > room:
        shown = [c for c in shown if set(c.cells) != {NOTHING}] or shown
    while needed(shown) > room:
        free = shown[KEPT:]
        if not free:
            break
        going = max(reversed(free), key=_spare)
        other = re.sub(r"(^|_)high(_|$)", r"\1low\2", going.name)
        shown = [c for c in shown if c is not going and not (c.name == other and c in free)]
    return shown


def _spare(column: Column) -> int:
    """Tell how well a column can be spared: 2 a place in a log, 1 a detail, 0 a figure."""
    return 2 if column.name in PLACES else int(bool(DETAIL.search(column.name)))


def needed(columns: Sequence[Column]) -> int:
    """Tell how wide some columns are side by side."""
    return sum(c.width for c in columns) + BETWEEN * (len(columns) - 1)
