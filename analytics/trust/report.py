"""How far to trust a cell's account: the known share of its planned busy time, and what is wrong with its logs."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import polars as pl

from analytics.account import SPAN, Window, account
from analytics.book import Plant, query
from analytics.cell import Cell
from analytics.clocks.report import clock_report, clock_words
from analytics.lines import LINES
from analytics.trust.advice import SILENT, advice
from analytics.trust.base import FAULT_SCHEMA
from analytics.trust.place import COUNTS, FILE, placed_lines

PARTS = ("vanished", "appeared", "nameless")
FOUND = ("gaps", "gap_us", "holes", "missing", "unread", "restarts", "repeated_lines", "repeated_events", "unpaired",
         "unknown")  # fmt: skip
HIDDEN_SCHEMA: dict[str, pl.DataType | type[pl.DataType]] = {
    "reason": pl.String,
    "line": pl.String,
    "cause": pl.String,
    "sources": pl.List(pl.String),
    "stations": pl.List(pl.String),
    "us": pl.Int64,
    "share": pl.Float64,  # of planned busy time: by so much the known share could rise
    "parts": pl.Float64,
    "stretches": pl.Int64,
    "from_us": pl.Int64,  # of the longest stretch
    "to_us": pl.Int64,
    "do": pl.String,
    "log_file": pl.String,
    "log_line": pl.Int64,
    "log_end_file": pl.String,
    "log_end_line": pl.Int64,
}
SOURCE_SCHEMA = {
    "source": pl.String,
    **dict.fromkeys(COUNTS, pl.Int64),
    "silence_s": pl.Float64,  # the limit; null: its silence goes unseen
    **dict.fromkeys(FOUND, pl.Int64),
    "clock": pl.String,
}
PARTS_SCHEMA = {"what": pl.String, "station": pl.String, "n": pl.Int64, "product": pl.String, "part": pl.String,
                "us": pl.Int64, "log_file": pl.String, "log_line": pl.Int64}  # fmt: skip
NOT_ESTIMATED = "not estimated"
NEXT_TO_US = 5_000_000


@dataclass(frozen=True)
class Trust:
    """What can be said of one cell and window.

    hidden   what hides planned busy time, most first: HIDDEN_SCHEMA. Their us and the known time add up to it exactly.
    sources  one row per source: SOURCE_SCHEMA. Lines are counted by whole hours and edges of shifts.
    parts    parts that vanished or appeared, per station with the first of them: PARTS_SCHEMA.
    faults   all that was found, with the log lines: FAULT_SCHEMA.
    timeless files in which no line has a time: source, file, COUNTS. They belong to no window.
    """

    cell: str
    window: Window
    zone: str
    known_share: float | None
    planned_busy_us: int
    hidden: pl.DataFrame
    sources: pl.DataFrame
    parts: pl.DataFrame
    faults: pl.DataFrame
    timeless: pl.DataFrame


def trust(plant: Plant, cell_name: str, windows: Window | Sequence[Window]) -> list[Trust]:
    """Say how far the account of a cell can be trusted, for each window.

    Raises InputError for a cell that does not exist and for a period without events.
    """
    spans = [windows] if isinstance(windows, Window) else list(windows)
    cell = plant.cell(cell_name)
    closed = account(plant, cell_name, spans)
    from_us, to_us = min(w.from_us for w in spans), max(w.to_us for w in spans)
    days = plant.days_between(cell_name, plant.file.production_day(from_us), plant.file.production_day(to_us - 1))
    placed, files = placed_lines(plant, cell_name, from_us, to_us)
    kept = plant.store.read_facts(cell_name, days, "faults")
    faults = _across_files(pl.DataFrame(schema=FAULT_SCHEMA) if kept is None else kept, files)
    frames = {
        "windows": pl.DataFrame([(w.key, w.from_us, w.to_us) for w in spans], schema=SPAN, orient="row"),
        "found_faults": faults,
    }
    with plant.tables(cell_name, days, frames) as con:
        hidden = query(con, "hidden_time", unknown=[line.name for line in LINES if not line.known])
        counts = query(con, "trust_counts")
    end_us = _end(plant, cell_name)
    clocks = clock_report(plant, cell_name)
    # A file without any time may be of any cell whose sources it could be of; of a source that no cell knows, of each.
    speaks = _sources(cell, placed, counts)
    timeless = placed.filter(pl.col("cell").is_null() & pl.col("source").is_in(speaks)).select(*FILE, *COUNTS)
    own = placed.filter(pl.col("cell") == cell_name)
    told = []
    for window, closed_ in zip(spans, closed, strict=True):
        inside = own.filter((pl.col("from_us") < window.to_us) & (pl.col("to_us") > window.from_us))
        of_key = pl.col("key") == window.key
        gap = (pl.col("what") == "gap") & (pl.col("until_us") > window.from_us)
        found = faults.filter((pl.col("us") < window.to_us) & ((pl.col("us") >= window.from_us) | gap.fill_null(False)))
        told.append(
            Trust(
                cell=cell_name, window=window, zone=plant.file.zone, known_share=closed_.known_share,
                planned_busy_us=closed_.planned_busy_us,
                hidden=_hidden(cell, hidden.filter(of_key), found, closed_.planned_busy_us, end_us),
                sources=_by_source(
                    cell, speaks, inside, counts.filter(of_key), clock_words(clocks, window.from_us, window.to_us)
                ),
                parts=_parts(found), faults=found, timeless=timeless,
            )
        )  # fmt: skip
    return told


def _across_files(faults: pl.DataFrame, files: pl.DataFrame) -> pl.DataFrame:
    """Where numbers are missing between the last record of a file and the first of another: lines there, unread."""
    ends = files.select(*FILE, "lines", "first_line", "last_line")
    both = faults.join(
        ends.select("source", "last_line", before_file="file", before_lines="lines"),
        left_on=["source", "log_file"], right_on=["source", "before_file"], how="left", maintain_order="left",
    ).join(
        ends.select("source", "first_line", after_file="file"),
        left_on=["source", "log_end_file"], right_on=["source", "after_file"], how="left", maintain_order="left",
    )  # fmt: skip
    at_the_joint = (
        (pl.col("what") == "hole")
        & (pl.col("log_file") != pl.col("log_end_file"))
        & (pl.col("log_line") == pl.col("last_line"))
        & (pl.col("log_end_line") == pl.col("first_line"))
    ).fill_null(False)
    there = pl.col("before_lines") - pl.col("last_line") + pl.col("first_line") - 1
    return both.with_columns(
        also_n=pl.when(at_the_joint).then(pl.min_horizontal("n", there)).otherwise("also_n")
    ).select(faults.columns)


def _end(plant: Plant, cell: str) -> int:
    """The last record of a cell."""
    newest = plant.store.events(cell, plant.store.days(cell)[-1:])["ts_source"].cast(pl.Int64).max()
    assert isinstance(newest, int)
    return newest


def _sources(cell: Cell, placed: pl.DataFrame, counts: pl.DataFrame) -> list[str]:
    """Sources that the model names, in its order, then the others that spoke."""
    named = [s.name for s in cell.sources] + [name for s in cell.stations for name in s.sources]
    spoke = placed.filter(pl.col("cell") == cell.name)["source"].unique().sort().to_list()
    return list(dict.fromkeys([*named, *spoke, *counts["source"].drop_nulls().unique().sort().to_list()]))


def _hidden(cell: Cell, stretches: pl.DataFrame, faults: pl.DataFrame, busy_us: int, end_us: int) -> pl.DataFrame:
    """Add up stretches by reason. What a silent source hides is one reason, whoever was waited for meanwhile."""
    silent = pl.col("cause").str.starts_with(SILENT) | (pl.col("line") == "no_data")
    by = ["line", "cause", "where", "last"]
    at = pl.when(silent.fill_null(False)).then(None).otherwise("station")
    last = (pl.col("start_us") >= end_us) & silent.fill_null(False)
    gaps = faults.filter(pl.col("what") == "gap").select("source", "us", "until_us").sort("source", "us")
    reasons = (
        stretches.with_columns(where=at, last=last)
        .with_columns(whole=pl.col("us").sum().over(*by, "station", "stretch"))
        .sort("whole", "start_us", "station", descending=[True, False, False], nulls_last=True)
        .group_by(by, maintain_order=True)
        .agg(
            pl.col("us").sum(),
            # Whole microseconds per planned time of a part are added up before they are divided.
            units=pl.struct("unit_us", "us"),
            stretches=pl.struct("start_us").n_unique().cast(pl.Int64),
            stations=pl.col("station").drop_nulls().unique(maintain_order=True),
            from_us=pl.col("start_us").first(),
            to_us=pl.col("end_us").first(),
            **{name: pl.col(name).first() for name in ("log_file", "log_line", "log_end_file", "log_end_line")},
        )
        .sort("us", "line", "cause", "where", descending=[True, False, False, False], nulls_last=True)
    )
    rows = []
    for row in reasons.iter_rows(named=True):
        near = _silent(gaps, row["from_us"], row["to_us"])
        said = advice(cell, row["line"], row["cause"], sorted(row["stations"]), silent=near, to_the_end=row["last"])
        units: dict[int | None, int] = {}
        for unit in row["units"]:
            units[unit["unit_us"]] = units.get(unit["unit_us"], 0) + unit["us"]
        parts = sum(us / unit for unit, us in sorted(units.items(), key=str) if unit)
        rows.append(
            {
                **{name: row[name] for name in HIDDEN_SCHEMA if name in row},
                "reason": said.reason,
                "sources": list(said.sources),
                "stations": sorted(row["stations"]),
                "share": row["us"] / busy_us,
                "parts": None if None in units else round(parts, 6),
                "do": said.do,
            }
        )
    return pl.DataFrame(rows, schema=HIDDEN_SCHEMA)


def _silent(gaps: pl.DataFrame, from_us: int, to_us: int) -> list[str]:
    """Sources whose silence covers most of a stretch of time, or begins or ends where it ends or begins."""
    shared = pl.min_horizontal("until_us", pl.lit(to_us)) - pl.max_horizontal("us", pl.lit(from_us))
    meets = (pl.col("us") - to_us).abs().le(NEXT_TO_US) | (pl.col("until_us") - from_us).abs().le(NEXT_TO_US)
    covers = 2 * shared > to_us - from_us
    return gaps.filter(covers | meets)["source"].unique(maintain_order=True).to_list()


def _by_source(
    cell: Cell, speaks: list[str], inside: pl.DataFrame, counts: pl.DataFrame, clocks: pl.DataFrame
) -> pl.DataFrame:
    limits = {s.name: s.silence_s for s in cell.sources if s.silence_s}
    lines = inside.group_by("source").agg(pl.col(COUNTS).sum())
    return (
        pl.DataFrame({"source": speaks}, schema={"source": pl.String})
        .join(lines, on="source", how="left", maintain_order="left")
        .join(counts.drop("key"), on="source", how="left", maintain_order="left")
        .join(clocks, on="source", how="left", maintain_order="left")
        .with_columns(
            pl.col(*COUNTS, *FOUND).fill_null(0),
            silence_s=pl.col("source").replace_strict(limits, default=None, return_dtype=pl.Float64),
            clock=pl.col("clock").fill_null(NOT_ESTIMATED),
        )
        .with_columns(pl.when(pl.col("silence_s").is_not_null()).then(name).alias(name) for name in ("gaps", "gap_us"))
        .select(pl.col(name).cast(dtype) for name, dtype in SOURCE_SCHEMA.items())
    )


def _parts(faults: pl.DataFrame) -> pl.DataFrame:
    return (
        faults.filter(pl.col("what").is_in(PARTS))
        .sort("us", "detail", nulls_last=True)
        .group_by("what", "station", maintain_order=True)
        .agg(
            pl.col("n").sum(),
            product=pl.col("name").first(),
            part=pl.col("detail").first(),
            us=pl.coalesce("since_us", "us").first(),
            log_file=pl.col("log_file").first(),
            log_line=pl.col("log_line").first(),
        )
        .sort(pl.col("what").replace_strict({w: n for n, w in enumerate(PARTS)}, return_dtype=pl.Int64), "n", "station",
              descending=[False, True, False], nulls_last=True)
        .select(pl.col(name).cast(dtype) for name, dtype in PARTS_SCHEMA.items())
    )  # fmt: skip
