"""Readable builders of the frames that studies are told from. No test lives here."""

from __future__ import annotations

import polars as pl

from tests.logs import at

S = 1_000_000


def spans(*rows: tuple[str, str], **more: str) -> pl.DataFrame:
    own = [(at(a), at(b)) for a, b in rows]
    frame = pl.DataFrame(own, schema={"start_us": pl.Int64, "end_us": pl.Int64}, orient="row")
    return frame.with_columns(pl.lit(v).alias(k) for k, v in more.items())


def planned(*rows: tuple[str, str, str]) -> pl.DataFrame:
    own = [(at(a), at(b), what) for a, b, what in rows]
    return pl.DataFrame(own, schema={"start_us": pl.Int64, "end_us": pl.Int64, "plan": pl.String}, orient="row")


def parts(*runs: tuple[str, str, int, float]) -> pl.DataFrame:
    """Good parts: of a product, from a time, so many, each so many seconds after the one before."""
    rows = [(at(clock) + round(k * period * S), name) for name, clock, n, period in runs for k in range(n)]
    frame = pl.DataFrame(rows, schema={"us": pl.Int64, "product": pl.String}, orient="row")
    return frame.with_columns(file=pl.lit("p.log"), line=pl.int_range(1, pl.len() + 1))


def marks(text: str) -> pl.DataFrame:
    """Read `06:00:00 mode * setup` and `06:00:00 carrier_end tray T1`."""
    rows = []
    for n, line in enumerate(text.strip().splitlines(), start=1):
        clock, kind, station, word = line.split()
        place = None if station == "*" else station
        is_carrier = kind.startswith("carrier")
        rows.append((at(clock), kind, place, place, None if is_carrier else word, word if is_carrier else None, n))
    schema = {"us": pl.Int64, "kind": pl.String, "station": pl.String, "lane": pl.String, "state": pl.String,
              "carrier": pl.String, "line": pl.Int64}  # fmt: skip
    return pl.DataFrame(rows, schema=schema, orient="row").with_columns(file=pl.lit("m.log"))
