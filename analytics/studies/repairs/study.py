"""The study `repairs`: what breaks down, how often, for how long, and whether it wears out or gets worse."""

from __future__ import annotations

from dataclasses import dataclass

import polars as pl

from analytics.account import Window, _lanes, _products
from analytics.book import Plant, query
from analytics.cell import CELL, Cell
from analytics.studies.annunciations import annunciations
from analytics.studies.cell_losses import cell_losses
from analytics.studies.first_out import TOGETHER_US, by_chance, first_out, grouped
from analytics.studies.repairs import words
from analytics.studies.repairs.exposure import exposure
from analytics.studies.repairs.failures import failures, put_together
from analytics.studies.repairs.figures import between, by_cause, down, timed
from analytics.studies.repairs.pareto import pareto
from analytics.studies.repairs.patterns import curves, medians, shapes, trends
from analytics.studies.safety_words import PROTECTIVE_STOPS
from analytics.studies.sentences import ENTRY, length
from analytics.study import Names, Study, facts_of

SAFETY = "safety_stop"


@dataclass(frozen=True)
class Frames:
    """What the study is told from."""

    stops: pl.DataFrame  # sql/stop_list.sql
    stretches: pl.DataFrame  # sql/stretches.sql, put together
    plan: pl.DataFrame  # lane, start_us, end_us, plan
    losses: pl.DataFrame  # of analytics.studies.cell_losses
    alarms: pl.DataFrame  # the fact tables
    marks: pl.DataFrame
    clocks: pl.DataFrame


def repairs(
    plant: Plant, cell: str, window: Window, *, station: str | None = None, product: str | None = None
) -> Study:
    """Tell what broke down in a window, how often and how long, and what can be said about the next time.

    `station`: only its failures, and those it is to blame for. `product`: only the losses and failures while it was
    made. Raises InputError for names that do not exist and periods without events.
    """
    model = plant.cell(cell)
    _lanes(model, station)
    members = _products(model, product)
    span = {"from_us": window.from_us, "to_us": window.to_us}
    with facts_of(plant, cell, window) as con:
        frames = Frames(
            stops=query(con, "stop_list", **span, station=None, line=None, cause=None),
            stretches=put_together(Names().read(con, "stretches", to_us=window.to_us), window.to_us),
            plan=query(con, "lane_plan"),
            losses=cell_losses(con, window, members),
            alarms=query(con, "alarm_rows", to_us=window.to_us),
            marks=query(con, "alarm_marks", to_us=window.to_us),
            clocks=con.sql("select * from clocks order by source, from_us").pl(),
        )
    return tell(frames, model, window, station, members)


def tell(frames: Frames, cell: Cell, window: Window, station: str | None, members: list[str] | None) -> Study:
    """The study from its frames; `members`: the products chosen, None: all."""
    clocks = exposure(frames.stretches, frames.plan, cell, window.from_us, window.to_us)
    every = timed(failures(frames.stops, frames.stretches, window.from_us, window.to_us), clocks, window.to_us)
    here = pl.lit(value=True) if station is None else (pl.col("station") == station) | (pl.col("at") == station)
    rows = every.filter(here)
    stations = _stations(cell, rows, station)
    inside = annunciations(frames.alarms, frames.marks).filter(
        (pl.col("start_us") >= window.from_us) & (pl.col("start_us") < window.to_us)
    )
    groups = grouped(inside)
    made = frames.stops if members is None else frames.stops.filter(pl.col("product").is_in(members))
    charged = pl.coalesce("blamed", "station", pl.lit(CELL)) == station if station else pl.lit(value=True)
    ranked = pareto(made.filter(charged), frames.losses if station is None else frames.losses.filter(station=station))
    everywhere = _with_cell(rows) if station is None else rows
    shown = [CELL, *stations] if station is None else stations
    curve = curves(rows, clocks, stations)
    tables = {
        "pareto": ranked,
        "between_failures": between(everywhere, clocks, shown),
        "down_times": down(rows, clocks, stations),
        "causes": by_cause(rows, clocks),
        "shapes": shapes(rows, clocks, stations),
        "trends": trends(rows, clocks, stations),
        "medians": medians(curve),
        "first_out": first_out(groups, frames.clocks, cell),
        "failures": _listed(rows if members is None else rows.filter(pl.col("product").is_in(members)), groups),
        "safety_stops": safety(frames.stops, window),
        "survival": curve,
    }
    doubts = words.doubts(rows, tables, station, members is not None)
    groups_n = tables["first_out"].height
    if groups_n:
        planned = clocks.works[CELL].total_us or window.to_us - window.from_us
        chance = by_chance(groups.height, planned)
        doubts.append(
            f"Alarms that rise within {length(TOGETHER_US)} of the one before are one group; alarms that have nothing "
            f"to do with each other would do so about {chance:.1f} times in this period."
        )
    cautions = ([ENTRY] if rows.height or ranked.height else []) + (
        [PROTECTIVE_STOPS] if tables["safety_stops"].height else []
    )
    return Study("repairs", words.findings(rows, tables), tables, doubts, cautions)


def safety(stops: pl.DataFrame, window: Window) -> pl.DataFrame:
    """Stops that protect people, in order of time: listed, never ranked."""
    return (
        stops.filter((pl.col("line") == SAFETY) & (pl.col("start_us") < window.to_us))
        .group_by("log_file", "log_line", "cause")
        .agg(
            pl.col("text").drop_nulls().sort().first(),
            pl.col("start_us").min(),
            pl.col("end_us").max(),
            lanes=pl.col("lane").unique().sort(),
        )
        .sort("start_us", "cause", "log_file", "log_line", nulls_last=True)
        .select(
            "start_us",
            "end_us",
            "cause",
            "text",
            "lanes",
            "log_file",
            "log_line",
            us=pl.col("end_us") - pl.col("start_us"),
        )
    )


def _stations(cell: Cell, rows: pl.DataFrame, station: str | None) -> list[str]:
    if station is not None:
        return [station]
    named = [s.name for s in cell.stations if s.kind != "buffer"]
    return named + sorted(set(rows["station"]) - set(named) - {CELL})


def _with_cell(rows: pl.DataFrame) -> pl.DataFrame:
    """Every failure once more under the cell as a whole."""
    return pl.concat([rows, rows.with_columns(station=pl.lit(CELL))]).unique(
        ["station", "start_us", "cause", "log_file", "log_line", "at"], keep="first", maintain_order=True
    )


def _listed(rows: pl.DataFrame, groups: pl.DataFrame) -> pl.DataFrame:
    """The failures for the reader, longest first, with the alarm that was first where several rose together."""
    name = pl.concat_str("code", pl.lit(" ("), pl.col("station").fill_null("cell"), pl.lit(")"))
    member = groups.select(
        "log_file", "log_line", first_alarm=pl.when(pl.col("alarm_of_group") > 0).then(name.first().over("group"))
    ).unique(["log_file", "log_line"], keep="first", maintain_order=True)
    return (
        rows.join(member, on=["log_file", "log_line"], how="left", maintain_order="left")
        .sort("down_us", "start_us", "station", descending=[True, False, False])
        .select(
            "start_us", "end_us", "station", "lanes", "cause", "text", "first_alarm", "said", "repair_us", "down_us",
            "open", "log_file", "log_line",
        )
    )  # fmt: skip
