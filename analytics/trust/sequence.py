"""Running numbers: which are missing, and where they began anew."""

from __future__ import annotations

import polars as pl

from analytics.trust.base import Heard, as_faults

WRAPS = (2**8, 2**15, 2**16, 2**31, 2**32, *(10**n for n in range(3, 10)))
"""Where counters commonly wrap."""
NEAR_WRAP = 50
FAR = 1000
"""A jump over more numbers than this, and over ten times more than the time between could hold, is no loss of lines."""
TANGLED = 0.01
"""Share of records at which numbers begin anew beyond which they are no running numbers of one source."""


def numbers(heard: Heard) -> pl.DataFrame:
    """Find the holes in each source's running numbers, and where the numbers began anew.

    Takes    the records of a cell and day.
    Returns  faults `hole` (n: numbers missing; also_n: as many lines stand in that place in the file, unread),
             `unread` (holes that such lines account for wholly, one row per source and hour) and `restart`.
    Arrival does not matter: records are put in the order of their time, and by number within a run. A number that falls
    to half or less and stays there begins a new run: a boot or a wrap, no hole.
    """
    lines = (
        heard.lines.filter(pl.col("seq").is_not_null())
        .select("source", "file", "line", "seq", t="ts")
        .sort(pl.col("source").cast(pl.Categorical), "t", "seq", "line", "file")
        .with_columns(run=_new_run().cast(pl.Int64).cum_sum().over("source"))
        .sort(pl.col("source").cast(pl.Categorical), "run", "seq", "t", "line", "file")
    )
    usual = pl.col("t").diff().filter(pl.col("t").diff() > 0).median().over("source", "run")
    apart = pl.col("t") - pl.col("t").shift(1)
    steps = lines.with_columns(
        usual=usual.fill_null(1),
        last_t=pl.col("t").shift(1),
        last_seq=pl.col("seq").shift(1),
        last_run=pl.col("run").shift(1),
        log_file=pl.col("file").shift(1),
        log_line=pl.col("line").shift(1),
        apart=apart,
        same=(pl.col("source") == pl.col("source").shift(1)).fill_null(False),
    ).filter("same")
    missing = pl.col("seq") - pl.col("last_seq") - 1
    jump = (missing > FAR) & (missing > 10 * pl.max_horizontal(pl.col("apart") / pl.col("usual"), pl.lit(FAR / 10)))
    anew = (pl.col("run") != pl.col("last_run")) | jump
    shown = steps.with_columns(
        us=pl.col("t"), since_us="last_t", log_end_file=pl.col("file"), log_end_line=pl.col("line"), n=missing
    )
    restarts = shown.filter(anew).with_columns(
        n=pl.lit(1, pl.Int64),
        name=_kind_of_restart(),
        detail=pl.concat_str("last_seq", "seq", separator=" → "),
    )
    holes = _unread(heard, shown.filter(~anew & (missing > 0)))
    return pl.concat([
        as_faults(heard.inside(holes.filter(pl.col("n") > pl.col("also_n"))), "hole"),
        as_faults(_by_hour(heard, holes.filter(pl.col("n") <= pl.col("also_n"))), "unread"),
        as_faults(_tangled(heard.inside(restarts), lines), "restart"),
    ])  # fmt: skip


def _new_run() -> pl.Expr:
    before, after = pl.col("seq").shift(1).over("source"), pl.col("seq").shift(-1).over("source")
    fell = 2 * pl.col("seq") <= before
    stays = (2 * after <= before).fill_null(True)
    return (fell & stays & (pl.col("seq") < before)).fill_null(False)


def _kind_of_restart() -> pl.Expr:
    last, new = pl.col("last_seq"), pl.col("seq")
    near = pl.any_horizontal([(last < wrap) & (last >= wrap - NEAR_WRAP) for wrap in WRAPS])
    return (
        pl.when(new > last).then(pl.lit("jump")).when(near & (new <= NEAR_WRAP)).then(pl.lit("wrap"))
        .otherwise(pl.lit("restart"))
    )  # fmt: skip


def _unread(heard: Heard, holes: pl.DataFrame) -> pl.DataFrame:
    """Add also_n: how many lines without an event stand between the two records, where they follow in one file."""
    if holes.is_empty():
        return holes.with_columns(also_n=pl.lit(0, pl.Int64))
    repeats = heard.raw.select("file", "line").with_columns(kept=pl.lit(False))
    places = (
        pl.concat([heard.lines.select("file", "line", kept=pl.lit(True)), repeats])
        .join(holes.select(file="log_file").unique(), on="file", how="semi")
        .group_by("file", "line")
        .agg(pl.col("kept").any())
        .sort("file", "line")
        .with_columns(place=pl.int_range(pl.len()), kept_place=pl.col("kept").cum_sum().cast(pl.Int64))
        .drop("kept")
    )
    last = {"file": "log_file", "line": "log_line", "place": "last_place", "kept_place": "last_kept_place"}
    both = holes.join(places, on=["file", "line"], how="left", maintain_order="left").join(
        places.rename(last), on=["log_file", "log_line"], how="left", maintain_order="left"
    )
    # Only repeats may stand between them, beside the lines that gave no event.
    follow = (pl.col("file") == pl.col("log_file")) & (pl.col("kept_place") == pl.col("last_kept_place") + 1)
    between = (pl.col("line") - pl.col("log_line")) - (pl.col("place") - pl.col("last_place"))
    return both.with_columns(also_n=pl.when(follow).then(pl.min_horizontal(between, "n")).otherwise(0).fill_null(0))


def _by_hour(heard: Heard, rows: pl.DataFrame) -> pl.DataFrame:
    rows = heard.inside(rows)
    if rows.is_empty():
        return rows.select("source", "us", "n", "also_n")
    return (
        rows.sort("us")
        .group_by("source", heard.cut("us").alias("hour_us"), maintain_order=True)
        .agg(pl.col("us", "log_file", "log_line", "log_end_file", "log_end_line").first(), pl.col("n", "also_n").sum())
    )


def _tangled(restarts: pl.DataFrame, lines: pl.DataFrame) -> pl.DataFrame:
    """Where numbers begin anew all the time they are no running numbers: one row says so."""
    much = (
        lines.group_by("source")
        .agg(lines_n=pl.len())
        .join(restarts.group_by("source").agg(restarts_n=pl.len()), on="source")
        .filter((pl.col("restarts_n") > 10) & (pl.col("restarts_n") > TANGLED * pl.col("lines_n")))
    )
    if much.is_empty():
        return restarts
    first = restarts.join(much, on="source", how="semi").sort("us").unique("source", keep="first", maintain_order=True)
    told = first.join(much, on="source").with_columns(
        name=pl.lit("not one series"), detail=pl.concat_str(pl.lit("begins anew "), "restarts_n", pl.lit(" times"))
    )
    return pl.concat([restarts.join(much, on="source", how="anti"), told.select(restarts.columns)])
