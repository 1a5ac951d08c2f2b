"""taktbook ingest: logs -> store -> facts, with a balance of lines for every file."""

from __future__ import annotations

from argparse import ArgumentParser, Namespace
from collections.abc import Mapping, Sequence
from pathlib import Path

import polars as pl
from rich.console import RenderableType
from rich.text import Text

from analytics.book import Plant, open_plant
from app.commands.facts import build_facts, facts_text
from app.tables import add_format, bars, give, grid
from app.wording import number
from ingest.find_files import Refused
from ingest.load import COUNTS, Count, DayResult, LoadSummary, load

NAME = "ingest"
HELP = "Load new log files into the store and bring the facts up to date."
EXAMPLE = "taktbook ingest --plant demo-plant"
REASONS_SHOWN = 10
FILES_SHOWN = 40


def add_arguments(parser: ArgumentParser) -> None:
    """Add the command's own arguments."""
    parser.add_argument(
        "--source", action="append", metavar="NAME", help="only this source (may be given several times)"
    )
    parser.add_argument(
        "--no-facts", action="store_true", help="only load; facts are then made when an account is asked for"
    )
    add_format(parser)


def run(args: Namespace) -> int:
    """Load, derive, and show the balance; 1 when lines went to the quarantine or files were refused."""
    folder = Path(args.plant)
    with bars() as progress:
        summary = load(folder, args.source, progress)
        plant = open_plant(folder)
        rebuilt = {} if args.no_facts else build_facts(plant, progress)
    frame = file_counts(summary)
    reopened = [d for d in summary.days if d.reopened]
    reasons = quarantine_reasons(plant, [f.file for f in summary.loaded])
    data = {
        "files": frame.to_dicts(),
        "lines": {count: summary.total(count) for count in COUNTS},
        "quarantine": reasons.to_dicts(),
        "unmatched": list(summary.unmatched),
        "refused": [{"source": r.source, "file": r.file, "problem": str(r.problem)} for r in summary.refused],
        "reopened": [{"cell": d.cell, "day": d.day.isoformat(), "events": d.events} for d in reopened],
        "facts": {cell: [d.isoformat() for d in days] for cell, days in rebuilt.items()},
    }
    new = quarantine_table(reasons) if summary.loaded else []
    parts = [*balance(summary), *new, *refused_text(summary.refused)]
    give(args, [*parts, *_reopened_text(reopened), *facts_text(rebuilt)], data, frame)
    return 1 if reasons.height or summary.refused else 0


def file_counts(summary: LoadSummary) -> pl.DataFrame:
    """One row per file: source, file, state, lines, with_events, skipped, quarantined, events."""
    keys = ("source", "file", "lines", "with_events", "skipped", "quarantined", "events")
    rows = [{**{k: getattr(f.record, k) for k in keys}, "state": f.state} for f in summary.files]
    types = {k: pl.String if k in ("source", "file") else pl.Int64 for k in keys} | {"state": pl.String}
    return pl.DataFrame(rows, schema=types).select("source", "file", "state", *keys[2:])


def balance(summary: LoadSummary) -> list[RenderableType]:
    """Lay out the balance of the lines that came in: read = with events + skipped by rule + quarantined."""
    new = [f for f in summary.files if f.state != "already loaded"]
    known = [f.record.lines for f in summary.files if f.state == "already loaded"]
    parts: list[RenderableType] = []
    if new:
        rows = [(f.record.source, f.file, *_balance_cells(f.counts), f.state) for f in new[:FILES_SHOWN]]
        sums = {count: summary.total(count) for count in COUNTS}
        if len(new) > FILES_SHOWN:
            rows.append(("", f"and {len(new) - FILES_SHOWN} more; --format json lists all", *[""] * 7, ""))
        rows.append(("", "1 file" if len(new) == 1 else f"{number(len(new))} files", *_balance_cells(sums), ""))
        columns = ("source", "file", "lines", "", "with events", "", "skipped", "", "quarantined", "")
        parts.append(grid(columns, rows, right=(2, 4, 6, 8)))
    if known:
        files = "1 file is" if len(known) == 1 else f"{number(len(known))} files are"
        parts.append(Text(f"{files} in the store already ({number(sum(known))} lines)."))
    if not summary.files:
        parts.append(Text("No log file matches the sources."))
    parts += [Text(f"Nothing matches {pattern}") for pattern in summary.unmatched]
    return parts


def _balance_cells(counts: Mapping[Count, int]) -> tuple[str, ...]:
    read, used, skipped, bad = (number(counts[k]) for k in COUNTS[:4])
    return read, "=", used, "+", skipped, "+", bad


def quarantine_reasons(plant: Plant, files: list[str] | None = None) -> pl.DataFrame:
    """Why lines were not understood: reason, n, and the first of them: source, file, line, text."""
    rows = plant.store.quarantine()
    if files is not None:
        rows = rows.filter(pl.col("file").is_in(files))
    return (
        rows.group_by("reason", maintain_order=True)
        .agg(pl.len().cast(pl.Int64).alias("n"), pl.col("source", "file", "line", "text").first())
        .sort("n", "reason", descending=[True, False])
    )


def quarantine_table(reasons: pl.DataFrame) -> list[RenderableType]:
    """Lay out the quarantine by reason, each with its first line."""
    if reasons.is_empty():
        return [Text("No line is in the quarantine.")]
    rows = [
        (number(r["n"]), r["reason"], f"{r['file']}:{r['line']}" if r["line"] else r["file"], _short(r["text"]))
        for r in reasons.head(REASONS_SHOWN).iter_rows(named=True)
    ]
    parts: list[RenderableType] = [
        Text(f"\n{number(int(reasons['n'].sum()))} in the quarantine:", style="bold"),
        grid(("n", "reason", "first", "text"), rows, right=(0,), whole=(0, 2)),
    ]
    if reasons.height > REASONS_SHOWN:
        parts.append(Text(f"and {reasons.height - REASONS_SHOWN} more reasons; --format json lists all"))
    return parts


def _short(text: str | None, most: int = 36) -> str:
    text = " ".join((text or "").split())
    return text if len(text) <= most else text[: most - 1] + "…"


def refused_text(refused: Sequence[Refused]) -> list[RenderableType]:
    """Tell which files could not be used, and what to do."""
    if not refused:
        return []
    files = "1 file was refused" if len(refused) == 1 else f"{len(refused)} files were refused"
    return [Text(f"\n{files}; the others are loaded:", style="bold"), *(Text(str(r.problem)) for r in refused)]


def _reopened_text(days: Sequence[DayResult]) -> list[RenderableType]:
    return [
        Text(f"Reopened: {d.day} of {d.cell}, {number(d.events)} events came in late; its account is made anew.")
        for d in days
    ]
