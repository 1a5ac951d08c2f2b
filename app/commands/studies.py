"""The analyses of a cell as commands and pages. A new one is one row of STUDIES; all take the same options."""

from __future__ import annotations

from argparse import ArgumentParser, Namespace
from dataclasses import dataclass
from importlib import import_module
from pathlib import Path
from typing import Any

import polars as pl

from analytics.book import open_plant
from analytics.study import Study
from app.commands.options import add_cell, add_window, the_cell, the_wish
from app.print_study import as_data, as_printed
from app.selection import choose
from app.tables import add_format, give
from ingest.errors import InputError, suggest


@dataclass(frozen=True)
class StudyCommand:
    """One analysis as a command."""

    NAME: str
    TITLE: str  # of its page
    HELP: str
    EXAMPLE: str
    function: str  # "module:function"; imported when it runs, so that other commands start quickly

    def add_arguments(self, parser: ArgumentParser) -> None:
        """Add the options that all analyses have."""
        add_cell(parser)
        add_window(parser)
        parser.add_argument("--station", metavar="NAME", help="only this station")
        parser.add_argument("--product", metavar="NAME", help="only this product, or the members of this set")
        parser.add_argument(
            "--table", metavar="NAME", help="only this table, with all its rows (needed for csv, parquet)"
        )
        add_format(parser)

    def run(self, args: Namespace) -> int:
        """Do the analysis and give it."""
        plant = open_plant(Path(args.plant))
        cell = the_cell(plant, args.cell)
        chosen = choose(plant, cell, the_wish(args))
        study: Study = self.load()(plant, cell, chosen.window, station=args.station, product=args.product)
        table = self._table(study, args)
        title = f"Cell {cell} · {chosen.title}"
        data = as_data(plant, cell, chosen.window, study, table)
        give(
            args,
            as_printed(plant, chosen.window, title, study, table),
            data,
            study.tables.get(table or "", pl.DataFrame()),
        )
        return 0

    def load(self) -> Any:
        """Import the analysis."""
        module, _, name = self.function.partition(":")
        return getattr(import_module(module), name)

    def _table(self, study: Study, args: Namespace) -> str | None:
        table: str | None = args.table
        if table is None and args.format in ("csv", "parquet"):
            if len(study.tables) == 1:
                return next(iter(study.tables))
            raise InputError(
                "this analysis has several tables: which one?", where="--table", allowed=", ".join(study.tables)
            )
        if table is not None and table not in study.tables:
            raise InputError(
                "this analysis has no such table", where="--table", found=table,
                allowed=", ".join(study.tables) or "none: there was nothing to tell",
                fix=suggest(table, list(study.tables)) or "use one of the allowed names",
            )  # fmt: skip
        return table


STUDIES: tuple[StudyCommand, ...] = (
    StudyCommand(
        "first",
        "First things first",
        "Rank what to do first: opportunities in parts per shift, none counted twice, each with its evidence.",
        "taktbook first --plant demo-plant --cell spoon --week 2026-W43",
        "analytics.studies.first:first",
    ),
    StudyCommand(
        "gate",
        "Gate",
        "Tell who the cell waited for: the gating chain by station and step, what gates next, slack, the plan gap.",
        "taktbook gate --plant demo-plant --cell spoon --day 2026-10-24",
        "analytics.studies.gate:gate",
    ),
    StudyCommand(
        "flow",
        "Flow",
        "Who waits for whom, the bottleneck by five methods and whether they agree, buffer levels, work in process.",
        "taktbook flow --plant demo-plant --cell timer --day 2026-10-24",
        "analytics.studies.flow.study:flow",
    ),
    StudyCommand(
        "sets",
        "Sets",
        "How long sets take, which member is waited for, what is left without partners, what the feed should be.",
        "taktbook sets --plant demo-plant --cell spoon --day 2026-10-24",
        "analytics.studies.set_making.study:set_making",
    ),
    StudyCommand(
        "rejects",
        "Rejects",
        "Tell which parts were rejected, how often, what it cost, in which bursts and under what conditions.",
        "taktbook rejects --plant demo-plant --cell spoon --day 2026-10-23",
        "analytics.studies.rejects.study:rejects",
    ),
    StudyCommand(
        "short-stops",
        "Short stops",
        "Tell which short stops there were, with an alarm or without, when they come, and where a station ran slowly.",
        "taktbook short-stops --plant demo-plant --cell spoon --day 2026-10-24",
        "analytics.studies.short_stops.study:short_stops",
    ),
    StudyCommand(
        "changeovers",
        "Changeovers",
        "Changes of product and of carriers: how long, made of what, the best seen, hidden or waited for.",
        "taktbook changeovers --plant demo-plant --cell spoon --week 2026-W43",
        "analytics.studies.changeovers.study:changeovers",
    ),
    StudyCommand(
        "alarms",
        "Alarms",
        "Rank alarms by what the cell lost to them; rate per ten minutes, floods, chattering and standing alarms.",
        "taktbook alarms --plant demo-plant --cell spoon --day 2026-10-23",
        "analytics.studies.alarm_load.study:alarm_load",
    ),
    StudyCommand(
        "cycles",
        "Cycles",
        "Tell how long cycles, steps and periods take, against plan and takt, and where that changed.",
        "taktbook cycles --plant demo-plant --cell spoon --day 2026-10-24",
        "analytics.studies.cycle_times.study:cycle_times",
    ),
    StudyCommand(
        "measurements",
        "Measurements",
        "Tell how measured values lie within their limits, whether they drift or step, and what the charts signal.",
        "taktbook measurements --plant demo-plant --cell spoon --day 2026-10-24",
        "analytics.studies.measurements.study:measurements",
    ),
    StudyCommand(
        "repairs",
        "Stops and repairs",
        "Which causes to repair first; times between failures and to repair, wear-out, trends, which alarm came first.",
        "taktbook repairs --plant demo-plant --cell spoon --week 2026-W43",
        "analytics.studies.repairs.study:repairs",
    ),
    StudyCommand(
        "restarts",
        "Restarts",
        "What the first minutes after each kind of restart cost; unmanned and hand-fed running as separate books.",
        "taktbook restarts --plant demo-plant --cell spoon --week 2026-W43",
        "analytics.studies.restarts.study:after_restarts",
    ),
)
