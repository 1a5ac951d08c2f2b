"""Every line of every file in its hour: with events, skipped or quarantined; the hours add up to the file's counts."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date, timedelta

import polars as pl

from analytics.book import Plant
from analytics.trust.log_lines import LINES_SCHEMA

FILE = ["source", "file"]
COUNTS = ("lines", "with_events", "skipped", "quarantined")
PLACED_SCHEMA = {
    "source": pl.String,
    "file": pl.String,
    "cell": pl.String,
    "from_us": pl.Int64,
    "to_us": pl.Int64,
    **dict.fromkeys(COUNTS, pl.Int64),
}
RUNS_SCHEMA = {"cell": pl.String, **LINES_SCHEMA}


def place(runs: pl.DataFrame, files: pl.DataFrame, bad: pl.DataFrame) -> pl.DataFrame:
    """Put every line of some files into the cell and hour that it belongs to.

    Takes    runs: RUNS_SCHEMA, all of these files; files: source, file and COUNTS, as the store tells them; bad:
             source, file, line of the quarantine.
    Returns  PLACED_SCHEMA, a row per file, cell and hour. A line with events belongs to the earliest of them; any other
             line to the hour of the last line with events before it in its file, the first lines of a file to that of
             the first. Files without any event have cell and from_us null. So the rows of a file add up to its counts.
    """
    runs = _once(runs, files).sort(*FILE, "first_line")
    known = runs.join(files, on=FILE, how="inner", maintain_order="left")
    start = pl.when(pl.int_range(pl.len()).over(FILE) == 0).then(1).otherwise("first_line")
    ahead = pl.col("first_line").shift(-1).over(FILE)
    spans = known.with_columns(
        start=start.cast(pl.Int64),
        with_events=pl.col("last_line") - pl.col("first_line") + 1,
        until=ahead.fill_null(pl.col("lines") + 1),
    )
    quarantined = (
        bad.filter(pl.col("line") > 0)
        .select(*FILE, "line")
        .sort("line")
        .join_asof(
            spans.select(*FILE, "start").sort("start"), left_on="line", right_on="start", by=FILE,
            strategy="backward", check_sortedness=False, coalesce=False,
        )
        .group_by(*FILE, "start")
        .agg(quarantined=pl.len().cast(pl.Int64))
    )  # fmt: skip
    placed = (
        spans.drop("quarantined", "skipped", "lines")
        .join(quarantined, on=[*FILE, "start"], how="left", maintain_order="left")
        .with_columns(pl.col("quarantined").fill_null(0), lines=pl.col("until") - pl.col("start"))
        .with_columns(skipped=pl.col("lines") - pl.col("with_events") - pl.col("quarantined"))
        .group_by(*FILE, "cell", "from_us", "to_us", maintain_order=True)
        .agg(pl.col(COUNTS).sum())
    )
    nowhere = files.join(runs, on=FILE, how="anti").with_columns(
        cell=pl.lit(None, pl.String), from_us=pl.lit(None, pl.Int64), to_us=pl.lit(None, pl.Int64)
    )
    shape = [pl.col(name).cast(dtype) for name, dtype in PLACED_SCHEMA.items()]
    return pl.concat([placed.select(shape), nowhere.select(shape)])


def placed_lines(plant: Plant, cell: str, from_us: int, to_us: int) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Place the lines of all files that have lines of a cell in a window, and of those that have no time at all.

    Returns  rows of PLACED_SCHEMA (those files whole), and per file what is known of it: source, file, COUNTS,
             first_line and last_line with events. Facts of all cells that share the files are brought up to date.
    """
    loaded = pl.DataFrame(
        [(f.source, f.file, f.lines, f.with_events, f.skipped, f.quarantined) for f in plant.store.sources()],
        schema={"source": pl.String, "file": pl.String, **dict.fromkeys(COUNTS, pl.Int64)},
        orient="row",
    )
    first, last = plant.file.production_day(from_us), plant.file.production_day(to_us - 1)
    plant.build(cell)
    near = _runs(plant, cell, plant.days_between(cell, first, last))
    asked = near.filter((pl.col("from_us") < to_us) & (pl.col("to_us") > from_us)).select(FILE).unique()
    files = loaded.filter((pl.col("lines") > 0) & (pl.col("with_events") == 0))
    files = pl.concat([files, loaded.join(asked, on=FILE, how="semi")]).unique(FILE).sort(FILE)
    runs = _runs_of(plant, files)
    ends = runs.group_by(FILE).agg(first_line=pl.col("first_line").min(), last_line=pl.col("last_line").max())
    bad = plant.store.quarantine().join(files, on=FILE, how="semi")
    return place(runs, files, bad), files.join(ends, on=FILE, how="left", maintain_order="left")


def _runs(plant: Plant, cell: str, days: Iterable[date]) -> pl.DataFrame:
    kept = plant.store.read_facts(cell, days, "log_lines")
    if kept is None:
        return pl.DataFrame(schema=RUNS_SCHEMA)
    return kept.select(pl.lit(cell).alias("cell"), *LINES_SCHEMA)


def _runs_of(plant: Plant, files: pl.DataFrame) -> pl.DataFrame:
    """All runs of some files, of whatever cell and day."""
    told = [pl.DataFrame(schema=RUNS_SCHEMA)]
    for cell, days in _days_of(plant, files).items():
        if cell in plant.file.cells:
            plant.build(cell)
            # Where clocks are corrected, a line may stand in the facts of the day before or after.
            near = {day + timedelta(days=n) for day in days for n in (-1, 0, 1)}
            told.append(_runs(plant, cell, near).join(files, on=FILE, how="semi"))
        else:  # no model, so no facts: its lines are its own, at no hour
            lines = plant.store.events(cell, days).join(files, on=FILE, how="semi")
            told.append(
                lines.select(*FILE, "line").unique().select(
                    pl.lit(cell).alias("cell"), *FILE, from_us=pl.lit(None, pl.Int64), to_us=pl.lit(None, pl.Int64),
                    first_line="line", last_line="line",
                )
            )  # fmt: skip
    return pl.concat(told)


def _days_of(plant: Plant, files: pl.DataFrame) -> dict[str, list[date]]:
    """The cells and production days that some files have events in."""
    days = plant.store.file_days().join(files, on=FILE, how="semi")
    return {
        cell: sorted(own["day"].unique().to_list())
        for (cell,), own in sorted(days.group_by("cell"), key=lambda item: str(item[0][0]))
    }


def _once(runs: pl.DataFrame, files: pl.DataFrame) -> pl.DataFrame:
    """Give a line whose events are days apart, and so stands in the runs of several, to the earliest of them."""
    length = pl.col("last_line") - pl.col("first_line") + 1
    twice = (
        runs.group_by(FILE)
        .agg(n=length.sum())
        .join(files, on=FILE)
        .filter(pl.col("n") > pl.col("with_events"))
        .select(FILE)
    )
    if twice.is_empty():
        return runs
    each = (
        runs.join(twice, on=FILE, how="semi")
        .with_columns(first_line=pl.int_ranges("first_line", pl.col("last_line") + 1))
        .explode("first_line")
        .with_columns(last_line="first_line")
        .sort("from_us", "cell", nulls_last=True)
        .unique([*FILE, "first_line"], keep="first", maintain_order=True)
    )
    return pl.concat([runs.join(twice, on=FILE, how="anti"), each.select(runs.columns)])
