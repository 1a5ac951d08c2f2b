"""Changes of product: from the last good part of the old to the first good part of the new, and what lies between.

The span is that of common practice (Shingo's set-up time, A Revolution in Manufacturing: The SMED System, 1985, taken
from good part to good part). Which set-up work could be done while the machine runs, no log tells.
"""

from __future__ import annotations

import polars as pl

from analytics.busy_clock import BusyClock
from analytics.intervals import tile

LEAST_RUN = 3
"""Good parts of one product in a row that make a run; fewer are strays between products."""

PIECES = {
    "safety_stop": 1, "waiting_people": 2, "no_order": 3, "set_up": 4, "breakdown": 5, "micro_stop": 5,
    "carrier_change": 6, "waiting_material": 7, "no_data": 8, "filling": 9, "before_set_up": 9,
}  # fmt: skip
"""What a changeover is made of; the lower number has the instant. Planned stops come first, `other` is the rest."""
TOLD_AS = {"micro_stop": "stopped", "breakdown": "stopped"}
COLUMNS = (
    "planned_stop", "safety_stop", "waiting_people", "no_order", "set_up", "stopped", "carrier_change",
    "waiting_material", "no_data", "filling", "before_set_up", "other",
)  # fmt: skip


def changes(rows: pl.DataFrame) -> tuple[pl.DataFrame, int]:
    """Find the changes of product at the outlet.

    Takes    rows: see output_rate.departures.
    Returns  one row per change in order of time: id, old, new, start_us (last good part of the old), end_us (first of
             the new), log_file, log_line (of the last), log_end_file, log_end_line (of the first); and the number of
             good parts left out as strays (runs shorter than LEAST_RUN).
    """
    size = pl.len().over("run")
    own = rows.filter(size >= LEAST_RUN)
    before = {f"old_{name}": pl.col(name).shift(1) for name in ("family", "us", "file", "line")}
    found = (
        own.with_columns(**before)
        .filter(pl.col("family") != pl.col("old_family"))
        .select(
            old="old_family", new="family", start_us="old_us", end_us="us", log_file="old_file", log_line="old_line",
            log_end_file="file", log_end_line="line",
        )
        .with_row_index("id")
    )  # fmt: skip
    return found, rows.height - own.height


def set_up_spans(marks: pl.DataFrame) -> pl.DataFrame:
    """Spans of set-up mode: of the cell, or where the cell tells no such mode, of its stations.

    Takes    marks: us, kind, station, lane, state, file, line.
    Returns  start_us, end_us (null: no end known), file, line, end_file, end_line.
    """
    own = marks.filter(pl.col("kind").is_in(["mode", "state"])).sort("us", "file", "line", nulls_last=True)
    group = ["kind", "station", "lane"]
    spans = own.with_columns(
        pl.col(name).shift(-1).over(group).alias(after)
        for name, after in (("us", "end_us"), ("file", "end_file"), ("line", "end_line"))
    ).filter(pl.col("state") == "setup")
    of_cell = spans.filter(pl.col("station").is_null())
    return (of_cell if of_cell.height else spans).select(
        "end_us", "file", "line", "end_file", "end_line", start_us="us"
    )


def feeds(found: pl.DataFrame, fed: pl.DataFrame) -> pl.DataFrame:
    """Add to changes: last_fed_us (of the old product) and first_fed_us (of the new): null where no feed is logged.

    Takes    fed: us, family.
    """
    old = fed.select(old="family", last_fed_us="us", at="us").drop_nulls().sort("at")
    new = fed.select(new="family", first_fed_us="us", at="us").drop_nulls().sort("at")
    with_old = found.sort("start_us").join_asof(
        old, left_on="start_us", right_on="at", by="old", strategy="backward", check_sortedness=False, coalesce=False
    )
    with_new = (
        with_old.drop("at")
        .with_columns(since=pl.coalesce("last_fed_us", "start_us"))
        .sort("since", "id")
        .join_asof(
            new, left_on="since", right_on="at", by="new", strategy="forward", check_sortedness=False, coalesce=False
        )
    )
    seen = pl.col("first_fed_us") <= pl.col("end_us")
    return with_new.with_columns(first_fed_us=pl.when(seen).then("first_fed_us")).drop("at", "since").sort("id")


def pieces(found: pl.DataFrame, set_up: pl.DataFrame, stops: pl.DataFrame, planned: pl.DataFrame) -> pl.DataFrame:
    """Cut each change into what it was made of.

    Takes    found: see `feeds`; set_up: see `set_up_spans`; stops: start_us, end_us, line (of any station: while a
             cell is drained or filled each holds it up); planned: start_us, end_us (planned stops, unplanned time).
    Returns  one row per change: id, COLUMNS with _us (they add up to end_us - start_us exactly), set_up_start_us.
    """
    if found.is_empty():
        return pl.DataFrame(
            schema={"id": pl.UInt32, "set_up_start_us": pl.Int64, **{f"{c}_us": pl.Int64 for c in COLUMNS}}
        )
    span = found.select("id", a="start_us", b="end_us")
    started = (
        span.join(set_up.select("start_us", "end_us"), how="cross")
        .filter((pl.col("start_us") < pl.col("b")) & (pl.col("end_us") > pl.col("a")).fill_null(True))
        .group_by("id")
        .agg(set_up_start_us=pl.col("start_us").min())
    )
    known = found.join(started, on="id", how="left", maintain_order="left")
    before = pl.coalesce("set_up_start_us", "first_fed_us")
    claims = pl.concat(
        [
            _named(planned, "planned_stop"),
            _named(set_up, "set_up"),
            stops.filter(pl.col("line").is_in(list(PIECES))).select("start_us", "end_us", piece="line"),
        ]
    )
    claims = pl.concat(
        [
            span.join(claims, how="cross").with_columns(pl.col("end_us").fill_null(pl.col("b"))).select(
                "id", "start_us", "end_us", "piece", "a", "b"
            ),
            known.select(
                "id", "start_us", pl.min_horizontal(before, "end_us").alias("end_us"), piece=pl.lit("before_set_up"),
                a="start_us", b="end_us",
            ),
            known.filter(pl.col("first_fed_us").is_not_null()).select(
                "id", pl.max_horizontal("first_fed_us", "start_us").alias("start_us"), "end_us",
                piece=pl.lit("filling"), a="start_us", b="end_us",
            ),
        ]
    )  # fmt: skip
    claims = (
        claims.with_columns(
            pl.max_horizontal("start_us", "a").alias("start_us"), pl.min_horizontal("end_us", "b").alias("end_us")
        )
        .filter(pl.col("start_us") < pl.col("end_us"))
        .select(
            pl.col("id").cast(pl.String).alias("lane"), "start_us", "end_us", "piece",
            level=pl.col("piece").replace_strict(PIECES, default=0, return_dtype=pl.Int64),
        )
    )  # fmt: skip
    lanes = span.select(lane=pl.col("id").cast(pl.String))
    first, last = int(span["a"].min()), int(span["b"].max())  # type: ignore[arg-type]  # there are rows
    tiles = (
        tile(claims, lanes, first, last)
        .with_columns(id=pl.col("lane").cast(pl.UInt32))
        .join(span, on="id")
        .with_columns(
            us=pl.min_horizontal("end_us", "b") - pl.max_horizontal("start_us", "a"),
            piece=pl.col("piece").replace(TOLD_AS).fill_null("other"),
        )
        .filter(pl.col("us") > 0)
    )
    sums = tiles.group_by("id").agg(
        pl.col("us").filter(pl.col("piece") == name).sum().alias(f"{name}_us") for name in COLUMNS
    )
    return span.select("id").join(started, on="id", how="left").join(sums, on="id", how="left").sort("id")


def _named(spans: pl.DataFrame, piece: str) -> pl.DataFrame:
    return spans.select("start_us", "end_us", piece=pl.lit(piece))


def matrix(table: pl.DataFrame) -> pl.DataFrame:
    """The matrix from -> to, one row per pair, longest in sum first.

    Takes    table: old, new, busy_us, set_up_us, stable_us (from the last good part of the old), one row per change.
    Returns  old, new, count_n, median_us, least_us (the best seen), most_us, set_up_median_us, stable_median_us,
             sum_us, over_best_us (sum of the differences to the best seen; null for a pair seen once).
    """
    return (
        table.group_by("old", "new")
        .agg(
            count_n=pl.len().cast(pl.Int64),
            median_us=pl.col("busy_us").median(),
            least_us=pl.col("busy_us").min(),
            most_us=pl.col("busy_us").max(),
            set_up_median_us=pl.col("set_up_us").median(),
            stable_median_us=pl.col("stable_us").median(),
            sum_us=pl.col("busy_us").sum(),
        )
        .with_columns(
            over_best_us=pl.when(pl.col("count_n") > 1).then(pl.col("sum_us") - pl.col("count_n") * pl.col("least_us"))
        )
        .sort("sum_us", "old", "new", descending=[True, False, False])
    )


def in_busy_time(found: pl.DataFrame, clock: BusyClock) -> pl.DataFrame:
    """Add the lengths of a change in planned busy time.

    Takes    found: start_us, end_us, last_fed_us, stable_at_us.
    Returns  with us (by the clock on the wall), busy_us, drain_us (last feed of the old to its last good part, which
             lies before the change), stable_us (last good part of the old to the stable rate).
    """
    rows = clock.on(found, start="start_us", end="end_us", fed="last_fed_us", stable="stable_at_us")
    return rows.with_columns(
        us=pl.col("end_us") - pl.col("start_us"),
        busy_us=pl.col("end") - pl.col("start"),
        drain_us=pl.col("start") - pl.col("fed"),
        stable_us=pl.col("stable") - pl.col("start"),
    ).drop("start", "end", "fed", "stable")
