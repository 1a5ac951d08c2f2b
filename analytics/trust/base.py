"""What the faults of a day's logs are found in, and their common shape."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import polars as pl

from analytics.cell import Cell

FAULT_SCHEMA = {
    "what": pl.String,  # one of FAULTS
    "source": pl.String,  # the source whose records show it
    "station": pl.String,
    "nest": pl.String,
    "name": pl.String,  # which kind of it: "cycle without end", "code", "restart"
    "detail": pl.String,  # the part, code, word or numbers that it is about
    "us": pl.Int64,  # when it shows; a gap: when it begins, within the day
    "until_us": pl.Int64,  # end of a gap within the day
    "since_us": pl.Int64,  # unpaired: the record that has no other; vanished: when the part was last seen
    "n": pl.Int64,  # how many: numbers missing, records repeated, events with an unknown word; else 1
    "also_n": pl.Int64,  # holes: lines that stand in that place unread; repeats: whole lines
    "log_file": pl.String,
    "log_line": pl.Int64,
    "log_end_file": pl.String,
    "log_end_line": pl.Int64,
}
"""One row per fault; unknown words, repeats and unread numbers are one row per hour."""

FAULTS = {
    "gap": "the source was silent beyond its limit",
    "hole": "running numbers are missing",
    "unread": "running numbers of lines that were left out by rule or quarantined",
    "restart": "running numbers began anew: boot, wrap or jump; no loss by itself",
    "repeat": "records that say what another has said; they are dropped",
    "unpaired": "a start without its end, or an end without its start",
    "unknown": "a word that the cell model does not know",
    "vanished": "a part that was fed, never left, and was not seen for `lost_after_h`",
    "appeared": "a part that was first seen behind the entry",
    "nameless": "a part that left without a number",
}


FAR_LINE = 2**40
"""No log has so many lines."""


RAW = (
    "source", "file", "line", "ts_source", "seq", "kind", "station", "nest", "at", "code", "cause", "product",
)  # fmt: skip
"""Columns of the stored events that faults are looked for in."""


@dataclass(frozen=True)
class Heard:
    """The records of one cell and day: what they say, and how they came."""

    cell: Cell
    events: pl.DataFrame  # prepared; what the day before handed on, and the margins, included
    raw: pl.DataFrame  # RAW, repeats included; the margins, but nothing handed on
    start_us: int
    end_us: int
    is_first: bool  # nothing was recorded before
    edges: Sequence[int]  # the day cut at full hours and at the edges of shifts, both ends included

    @cached_property
    def lines(self) -> pl.DataFrame:
        """One row per line with events, in no order.

        Returns  source, file, line, first_ts and ts (of its latest record), seq, kept_n (how many records it gave).
        """
        said = self.events.select("source", "file", "line", "ts", "seq", place=self.place())
        return (
            said.group_by("place")
            .agg(
                pl.col("source", "file", "line").first(),
                pl.col("ts").max(), first_ts=pl.col("ts").min(), seq=pl.col("seq").max(), kept_n=pl.len(),
            )
            .drop("place")
        )  # fmt: skip

    def place(self) -> pl.Expr:
        """One number for source, file and line, in their order: quicker to sort and to group by than three columns."""
        source, file = (
            pl.col(name).cast(self._names[name]).to_physical().cast(pl.Int64) for name in ("source", "file")
        )
        return (source * len(self._names["file"].categories) + file) * FAR_LINE + pl.col("line")

    @cached_property
    def _names(self) -> dict[str, pl.Enum]:
        both = (self.events, self.raw)
        return {
            name: pl.Enum(pl.concat([frame[name].unique() for frame in both]).unique().drop_nulls().sort())
            for name in ("source", "file")
        }

    def inside(self, frame: pl.DataFrame, column: str = "us") -> pl.DataFrame:
        """Rows of the day itself."""
        return frame.filter((pl.col(column) >= self.start_us) & (pl.col(column) < self.end_us))

    def cut(self, column: str) -> pl.Expr:
        """Start of the hour, or piece of an hour, that an instant of the day belongs to."""
        edges = pl.Series(self.edges[:-1], dtype=pl.Int64)
        return pl.lit(edges).gather(pl.lit(edges).search_sorted(pl.col(column), side="right") - 1)


def as_faults(frame: pl.DataFrame, what: str) -> pl.DataFrame:
    """Bring a frame into the faults' shape: missing columns become null, `n` 1."""
    if "n" not in frame.columns:
        frame = frame.with_columns(n=pl.lit(1, pl.Int64))
    frame = frame.with_columns(what=pl.lit(what))
    missing = [name for name in FAULT_SCHEMA if name not in frame.columns]
    return frame.with_columns(pl.lit(None, FAULT_SCHEMA[name]).alias(name) for name in missing).select(
        pl.col(name).cast(dtype) for name, dtype in FAULT_SCHEMA.items()
    )
