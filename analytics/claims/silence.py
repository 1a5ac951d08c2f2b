"""No data: the source was silent beyond its limit, or said that its link is down."""

from __future__ import annotations

import numpy as np
import polars as pl

from analytics.claims.base import Seen, as_claims


def no_data(seen: Seen) -> pl.DataFrame:
    """Claim the time in which none of a station's sources could have told what happens.

    A silence longer than the source's limit is no data from its last record plus the limit to its next record; the
    state before holds up to there. A station with several sources is unknown only when all of them are silent.
    """
    return pl.concat([_silent(seen), _link_down(seen)])


def _silent(seen: Seen) -> pl.DataFrame:
    limits = {s.name: round(s.silence_s * 1e6) for s in seen.cell.sources if s.silence_s}
    rows = [
        (source, station.name, limits[source], len(station.sources))
        for station in seen.cell.stations
        for source in station.sources
        if source in limits
    ]
    if not rows:
        return as_claims(pl.DataFrame(schema={"lane": pl.String, "start_us": pl.Int64, "end_us": pl.Int64}))
    wanted = pl.DataFrame(rows, schema=["source", "station", "limit_us", "sources_n"], orient="row")
    gaps = pl.concat([_gaps(seen, source, limits[source]) for source in sorted({row[0] for row in rows})])
    gaps = gaps.join(wanted.drop("limit_us"), on="source")
    one = gaps.filter(pl.col("sources_n") == 1)
    # With several sources: the time that all their gaps have in common, by counting how many are silent.
    many = gaps.filter(pl.col("sources_n") > 1)
    if not many.is_empty():
        marks = (
            pl.concat(
                [
                    many.select("station", "sources_n", t="start_us", d=pl.lit(1, pl.Int64)),
                    many.select("station", "sources_n", t="end_us", d=pl.lit(-1, pl.Int64)),
                ]
            )
            .group_by("station", "sources_n", "t")
            .agg(pl.col("d").sum())
            .sort("station", "t")
        )
        many = marks.with_columns(
            silent_n=pl.col("d").cum_sum().over("station"), end_us=pl.col("t").shift(-1).over("station")
        ).filter((pl.col("silent_n") == pl.col("sources_n")) & pl.col("end_us").is_not_null()).select(
            "station", "end_us", start_us="t", source=pl.lit("all its sources")
        )  # fmt: skip
    both = pl.concat([one.drop("sources_n"), many], how="diagonal") if not many.is_empty() else one.drop("sources_n")
    both = both.with_columns(
        nest=pl.lit(None, pl.String), line=pl.lit("no_data"), cause=pl.lit("silent: ") + pl.col("source")
    )
    return as_claims(seen.spread(both.drop("source")))


def _gaps(seen: Seen, source: str, limit_us: int) -> pl.DataFrame:
    """Silences of one source beyond its limit. A source that never spoke is silent all the time.

    Returns  source, start_us, end_us, and the log lines before and after; null at the ends of what is looked at.
    """
    own = seen.events.filter(pl.col("source") == source).select("ts", "file", "line")
    ts = own["ts"].to_numpy()  # prepared events are in order of time
    ends = [np.searchsorted(ts, seen.start_us), np.searchsorted(ts, seen.end_us, side="right")]
    ts = np.insert(ts, ends, [seen.start_us, seen.end_us])
    row = np.insert(np.arange(own.height), ends, -1)
    at = np.flatnonzero(np.diff(ts) > limit_us)
    before, after = (pl.Series(row[n]).replace(-1, None) for n in (at, at + 1))
    return pl.DataFrame({"start_us": ts[at] + limit_us, "end_us": ts[at + 1]}).select(
        pl.lit(source).alias("source"),
        "start_us",
        "end_us",
        log_file=own["file"].gather(before),
        log_line=own["line"].gather(before),
        log_end_file=own["file"].gather(after),
        log_end_line=own["line"].gather(after),
    )


def _link_down(seen: Seen) -> pl.DataFrame:
    links = seen.events.filter(pl.col("kind") == "link").sort("source", "station", "no")
    group = ["source", "station"]
    down = (
        links.with_columns(
            end_us=pl.col("ts").shift(-1).over(group).fill_null(seen.end_us),
            log_end_file=pl.col("file").shift(-1).over(group),
            log_end_line=pl.col("line").shift(-1).over(group),
        )
        .filter(pl.col("state") == "down")
        .select(
            "source",
            "station",
            "end_us",
            "log_end_file",
            "log_end_line",
            start_us="ts",
            log_file="file",
            log_line="line",
        )
    )
    # A source that speaks of no station in particular speaks for all that name it.
    reports = pl.DataFrame(
        [(source, s.name) for s in seen.cell.stations for source in s.sources],
        schema={"source": pl.String, "of": pl.String},
        orient="row",
    )
    down = down.join(reports, on="source", how="left").with_columns(
        station=pl.coalesce("station", "of"),
        nest=pl.lit(None, pl.String),
        line=pl.lit("no_data"),
        cause=pl.lit("link down"),
    )
    return as_claims(seen.spread(down.drop("source", "of")))
