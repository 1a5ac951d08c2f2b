"""taktbook check: is the configuration right, and does it fit what the logs say?"""

from __future__ import annotations

from argparse import ArgumentParser, Namespace
from collections.abc import Callable
from functools import partial
from pathlib import Path

import polars as pl
from rich.console import RenderableType
from rich.text import Text

from analytics.book import Plant, open_plant
from analytics.cell import read_cell
from analytics.check import findings
from analytics.strays import strays
from analytics.unread import unread
from app.tables import add_format, give, grid
from app.wording import number
from ingest.draft.write import percent
from ingest.errors import ConfigError, Problem, TaktbookError
from ingest.source import load_sources

NAME = "check"
HELP = "Check plant.toml, cells/*.toml and sources/*.toml, and whether they fit what the loaded logs say."
EXAMPLE = "taktbook check --plant demo-plant"
KINDS_SHOWN = 12


def add_arguments(parser: ArgumentParser) -> None:
    """Add the command's own arguments."""
    add_format(parser)


def run(args: Namespace) -> int:
    """Check; 2 when a file is wrong (everything is told in one go), 1 when the logs say what no file knows."""
    folder = Path(args.plant)
    problems = wrong_files(folder)
    if problems:
        raise ConfigError(args.plant, problems)
    plant = open_plant(folder)
    sources = load_sources(folder / "sources")
    bad = unread(plant.store)
    refused = plant.store.refused()
    refused = refused.filter(pl.Series([(folder / file).exists() for file in refused["file"]], dtype=pl.Boolean))
    mapped = mapping_of(plant, [s.name for s in sources])
    of_cells = [findings(plant, cell).select(pl.lit(cell).alias("cell"), pl.all()) for cell in plant.file.cells]
    found = pl.concat([strays(plant), *of_cells])
    parts: list[RenderableType] = [
        Text(f"plant.toml, cells/ ({len(plant.file.cells)}) and sources/ ({len(sources)}) are valid.", style="bold"),
        *_mapping_table(mapped),
        *(unread_text(bad) if mapped["lines"].sum() else [Text("Nothing is loaded yet: taktbook ingest")]),
        *_refused_text(refused),
        *_findings_table(found),
    ]
    data = {"sources": mapped.to_dicts(), "quarantine": bad.to_dicts(), "findings": found.to_dicts()}
    give(args, parts, data | {"refused": refused.select("file", "problem").to_dicts()}, found)
    return 1 if found.height or bad.height or refused.height else 0


def _refused_text(refused: pl.DataFrame) -> list[RenderableType]:
    if refused.is_empty():
        return []
    rows = list(refused.select("file", "problem").iter_rows())
    head = Text("\nFiles that could not be used when they were last tried:", style="bold")
    return [head, grid(("file", "why"), rows)]


def wrong_files(folder: Path) -> list[Problem]:
    """Return every problem of every configuration file of a plant."""
    problems: list[Problem] = []
    cells = sorted(path.stem for path in (folder / "cells").glob("*.toml"))

    def attempt(read: Callable[[], object]) -> None:
        try:
            read()
        except ConfigError as err:
            problems.extend(err.problems)
        except TaktbookError as err:
            problems.append(err.problem)

    def the_plant() -> None:
        nonlocal cells
        cells = list(open_plant(folder).file.cells)

    attempt(the_plant)
    for cell in cells:
        attempt(partial(read_cell, folder / "cells" / f"{cell}.toml", f"cells/{cell}.toml"))
    attempt(lambda: load_sources(folder / "sources"))
    return problems


def mapping_of(plant: Plant, sources: list[str]) -> pl.DataFrame:
    """One row per source: files, lines, with_events, skipped, quarantined, events of what is loaded."""
    names = ("lines", "with_events", "skipped", "quarantined", "events")
    loaded = plant.store.sources()
    rows = [
        (
            name, sum(f.source == name for f in loaded),
            *(sum(getattr(f, key) for f in loaded if f.source == name) for key in names),
        )
        for name in sources
    ]  # fmt: skip
    types = {"source": pl.String, "files": pl.Int64, **dict.fromkeys(names, pl.Int64)}
    return pl.DataFrame(rows, schema=types, orient="row")


def _mapping_table(mapped: pl.DataFrame) -> list[RenderableType]:
    rows = [
        (
            r["source"],
            *(number(r[k]) for k in ("files", "lines", "with_events", "skipped", "quarantined")),
            percent((r["lines"] - r["quarantined"]) / r["lines"]) if r["lines"] else "",
            number(r["events"]),
        )
        for r in mapped.iter_rows(named=True)
    ]
    return [
        grid(
            ("source", "files", "lines", "with events", "skipped", "quarantined", "understood", "events"),
            rows,
            right=tuple(range(1, 8)),
        )
    ]


def unread_text(bad: pl.DataFrame) -> list[RenderableType]:
    """Lay out the lines that were not understood by kind, most frequent first."""
    if bad.is_empty():
        return [Text("No line is in the quarantine.")]
    lines = int(bad["n"].sum())
    width = len(number(int(bad["n"].max())))  # type: ignore[arg-type]
    kinds = "1 kind" if bad.height == 1 else f"{number(bad.height)} kinds"
    parts: list[RenderableType] = [Text(f"\n{number(lines)} lines are not understood, of {kinds}:", style="bold")]
    for r in bad.head(KINDS_SHOWN).iter_rows(named=True):
        first = f"{r['file']}:{r['line']}" if r["line"] else r["file"]
        parts.append(Text(f"{number(r['n']):>{width}}  {r['source']}  {_short(r['reason'], 90)}"))
        if r["text"]:
            if r["n"] > 1:
                parts.append(Text(f"{'':>{width}}  all like    {_short(r['template'], 100)}", style="dim"))
            parts.append(Text(f"{'':>{width}}  the first   {_short(r['text'], 100)}", style="dim"))
        parts.append(Text(f"{'':>{width}}  stands in   {first}", style="dim"))
    if bad.height > KINDS_SHOWN:
        rest = int(bad["n"].slice(KINDS_SHOWN).sum())
        parts.append(
            Text(f"and {number(bad.height - KINDS_SHOWN)} kinds more ({number(rest)} lines); --format json lists all")
        )
    return parts


def _short(text: str, most: int) -> str:
    text = " ".join(text.split())
    return text if len(text) <= most else text[: most - 1] + "…"


def _findings_table(found: pl.DataFrame) -> list[RenderableType]:
    if found.is_empty():
        return [Text("The logs name nothing that the cell files do not know.")]
    rows = [
        (
            r["cell"], r["what"], r["name"], "" if r["n"] is None else number(r["n"]),
            "" if r["file"] is None else f"{r['file']}:{r['line']}", r["fix"] or "",
        )
        for r in found.iter_rows(named=True)
    ]  # fmt: skip
    return [
        Text(f"\nFindings: {found.height}", style="bold"),
        grid(("cell", "what", "name", "events", "first", "do"), rows, right=(3,), whole=(0, 1, 2, 3, 4)),
    ]
