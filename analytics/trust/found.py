"""All faults of a day's logs, and its lines: what is kept as the tables `faults` and `log_lines`."""

from __future__ import annotations

import polars as pl

from analytics.trust.base import FAULT_SCHEMA, Heard, as_faults
from analytics.trust.log_lines import log_lines
from analytics.trust.sequence import numbers
from analytics.trust.unknown import unknown
from analytics.trust.unpaired import unpaired


def trust_tables(heard: Heard, moves: pl.DataFrame, known_parts: pl.DataFrame) -> dict[str, pl.DataFrame]:
    """Derive the day's `faults` (FAULT_SCHEMA) and `log_lines` (LINES_SCHEMA).

    Takes    moves of the day's parts account; known_parts: the prepared events with parts joined through time.
    """
    lines, repeats = log_lines(heard)
    found = [_gaps(heard), numbers(heard), repeats, unpaired(heard), _unknown(heard), *_parts(moves, known_parts)]
    order = ["us", "what", "source", "station", "name", "detail", "log_file", "log_line"]
    return {"faults": pl.concat(found).sort(order, nulls_last=True), "log_lines": lines}


def _gaps(heard: Heard) -> pl.DataFrame:
    """One row per silence beyond a source's limit: from the last record plus the limit to the next record.

    Clipped to the day; n is 0 where it began the day before. A source that says nothing until within its limit of the
    very first day's start has not been silent.
    """
    limits = pl.DataFrame(
        [(s.name, round(s.silence_s * 1e6)) for s in heard.cell.sources if s.silence_s],
        schema={"source": pl.String, "limit_us": pl.Int64},
        orient="row",
    )
    said = heard.lines.select("source", "file", "line", "ts").join(limits, on="source", how="semi")
    edge = limits.select("source", file=pl.lit(None, pl.String), line=pl.lit(None, pl.Int64))
    never = edge.join(said, on="source", how="anti").with_columns(ts=pl.lit(heard.start_us, pl.Int64))
    first = said.group_by("source").agg(pl.col("ts").min()).filter(pl.col("ts") > heard.start_us)
    opening = edge.join(first, on="source", how="semi").with_columns(ts=pl.lit(heard.start_us, pl.Int64))
    closing = edge.with_columns(ts=pl.lit(2**62, pl.Int64))
    shape = ["source", "ts", "file", "line"]
    told = pl.concat([frame.select(shape) for frame in (said, never, opening, closing)]).sort(
        pl.col("source").cast(pl.Categorical), "ts", "line", "file", nulls_last=True
    )
    limit = pl.col("limit_us")
    return as_faults(
        told.with_columns(
            *(pl.col(c).shift(-1).over("source").alias(f"next_{c}") for c in ("ts", "file", "line")),
        )
        .join(limits, on="source", maintain_order="left")
        .filter(pl.col("next_ts") - pl.col("ts") > limit)
        .with_columns(from_us=pl.col("ts") + limit, to_us=pl.col("next_ts"))
        .filter((pl.col("from_us") < heard.end_us) & (pl.col("to_us") > heard.start_us))
        .select(
            "source",
            us=pl.col("from_us").clip(heard.start_us),
            until_us=pl.col("to_us").clip(upper_bound=heard.end_us),
            since_us="ts",
            n=(pl.col("from_us") >= heard.start_us).cast(pl.Int64),
            log_file="file",
            log_line="line",
            log_end_file="next_file",
            log_end_line="next_line",
        ),
        "gap",
    )


def _unknown(heard: Heard) -> pl.DataFrame:
    odd = unknown(heard.raw, heard.cell)
    if odd.is_empty():
        return pl.DataFrame(schema=FAULT_SCHEMA)
    times = heard.events.join(odd, on=["file", "line"], how="semi").group_by("file", "line").agg(pl.col("ts").min())
    timed = heard.inside(odd.join(times, on=["file", "line"]), "ts")  # what only repeats another has no time here
    return as_faults(
        timed.with_columns(hour_us=heard.cut("ts"))
        .sort("ts", "file", "line")
        .group_by("source", "what", "name", "hour_us", maintain_order=True)
        .agg(
            pl.col("station").first(), us=pl.col("ts").first(), n=pl.len(),
            log_file=pl.col("file").first(), log_line=pl.col("line").first(),
        )
        .with_columns(detail=pl.col("name"), name=pl.col("what").str.strip_prefix("unknown ")),
        "unknown",
    )  # fmt: skip


def _parts(moves: pl.DataFrame, events: pl.DataFrame) -> list[pl.DataFrame]:
    """Parts that vanished, at the station where they were last seen, and that appeared where they were first seen."""
    named = moves.filter(pl.col("part").is_not_null())
    lost = named.filter(pl.col("move") == "lost").drop("station")
    at_last = events.join(lost, on=["file", "line", "part"], how="semi", maintain_order="left")
    last = at_last.group_by("file", "line", "part").agg(pl.col("source", "station", "ts").last())
    lost = lost.join(last, on=["file", "line", "part"], how="left", maintain_order="left").select(
        "source", "station", "us", name=pl.coalesce("product", pl.lit("part")), detail="part", since_us="ts",
        log_file="file", log_line="line",
    )  # fmt: skip
    found = named.filter(pl.col("move") == "found").drop("station", "file", "line")
    seen = events.join(found, on="part", how="semi").sort("no").unique(["part", "ts"], keep="first")
    found = found.join(
        seen.select("part", "source", "station", "file", "line", us="ts"), on=["part", "us"], how="left",
        maintain_order="left",
    ).select(
        "source", "station", "us", name=pl.coalesce("product", pl.lit("part")), detail="part", since_us="us",
        log_file="file", log_line="line",
    )  # fmt: skip
    unnamed = moves.filter(pl.col("part").is_null() & (pl.col("move") == "found"))
    sources = events.join(unnamed, on=["file", "line"], how="semi").select("source", "file", "line").unique()
    nameless = (
        unnamed.join(sources, on=["file", "line"], how="left", maintain_order="left")
        .group_by("source", "station", maintain_order=True)
        .agg(pl.col("us").first(), n=pl.len(), log_file=pl.col("file").first(), log_line=pl.col("line").first())
    )
    return [as_faults(lost, "vanished"), as_faults(found, "appeared"), as_faults(nameless, "nameless")]
