"""Which lines were not understood: the quarantine by kind of line, so that one new pattern answers many lines."""

from __future__ import annotations

import polars as pl

from ingest.draft.templates import SHOWN_HOLE, masked
from ingest.store import Store

UNREAD = {
    "source": pl.String,
    "n": pl.Int64,
    "reason": pl.String,
    "template": pl.String,
    "file": pl.String,
    "line": pl.Int64,
    "text": pl.String,
}
BATCH = 200_000
"""Lines that are looked at in one go: a quarantine of millions of lines must fit in memory."""


def unread(store: Store) -> pl.DataFrame:
    """Group the lines that were not understood by source, reason and template.

    Returns  one row per kind of line, UNREAD: source, n (lines), reason (of the first), template (what varies is
             shown as …), file, line and text of the first of them. The most frequent first.
    """
    groups = [_grouped(lines, pl.len()) for lines in store.quarantine().iter_slices(BATCH)]
    if not groups:
        return pl.DataFrame(schema=UNREAD)
    found = _again(pl.concat(groups)) if len(groups) > 1 else groups[0]
    shown = pl.col("template").str.replace_all("\x1a", SHOWN_HOLE, literal=True)
    found = found.with_columns(shown).sort("n", "source", "file", "line", descending=[True, False, False, False])
    return found.select(list(UNREAD)).cast(UNREAD)  # type: ignore[arg-type]


def _grouped(lines: pl.DataFrame, n: pl.Expr) -> pl.DataFrame:
    """Group lines; a reason quotes the word it is about, so reasons are masked, too."""
    quotes = pl.col("reason").str.replace_all("'[^']*'", "'…'")
    return (
        lines.with_columns(template=masked(pl.col("text")), like=masked(quotes))
        .group_by("source", "like", "template", maintain_order=True)
        .agg(n.alias("n"), pl.col("reason", "file", "line", "text").first())
    )


def _again(groups: pl.DataFrame) -> pl.DataFrame:
    """Put the groups of several batches together."""
    return groups.group_by("source", "like", "template", maintain_order=True).agg(
        pl.col("n").sum(), pl.col("reason", "file", "line", "text").first()
    )
