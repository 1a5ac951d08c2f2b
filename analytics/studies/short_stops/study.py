"""Short stops of a cell: the public analysis."""

from __future__ import annotations

from dataclasses import dataclass

import polars as pl

from analytics.account import Window, _lanes, _products
from analytics.book import Plant, query
from analytics.cell import Cell
from analytics.pace import FENCE, LEAST_STOP_US, STOP
from analytics.pace_changes import slow_windows
from analytics.studies.sentences import ENTRY, counted, length
from analytics.studies.short_stops import counts, ran
from analytics.studies.short_stops.clusters import clusters
from analytics.studies.short_stops.listed import one_each, silent_stops, told_stops
from analytics.studies.short_stops.preceded import event_types, preceded
from analytics.study import Names, Study, facts_of
from analytics.work import cut, with_records, work_of

SURE = 0.05
"""Findings among many looks are told when at most this share of them is false."""

TOLD_US = 60_000_000
"""Slow running that took less than this stands in its table alone."""


@dataclass(frozen=True)
class Read:
    """What the analysis rests on, cut at the window."""

    stops: pl.DataFrame  # listed.COLUMNS, shorter than the limit
    long: pl.DataFrame  # without alarm and longer
    work: list[pl.DataFrame]  # of the whole days, so that levels have their surroundings; lane by lane
    cycles: pl.DataFrame  # station, product
    ran: pl.DataFrame  # stretches in which the cell ran
    running: pl.DataFrame  # pieces of time in which each station ran
    marks: pl.DataFrame


def short_stops(
    plant: Plant, cell: str, window: Window, *, station: str | None = None, product: str | None = None
) -> Study:
    """Tell which short stops a cell had, with an alarm or without, when they come and what preceded them.

    Raises   InputError for a name that does not exist or a period without events.
    """
    model = plant.cell(cell)
    _lanes(model, station)
    products = _products(model, product)
    read = _read(plant, cell, model, window, station, products)
    edges = [window.from_us, *plant.file.full_hours(window.from_us, window.to_us), window.to_us]
    hours = [plant.file.local(us).hour for us in edges[:-1]]
    stops, ran_us = read.stops, int((read.ran["end_us"] - read.ran["start_us"]).sum())
    of_day = ran.by_edges(read.ran, edges).join(counts.hours_of_day(edges, hours), on="edge_us")
    since = stops.with_columns(hour=ran.hour_since_start_up(stops, read.ran))
    by_hour = stops.sort("start_us").join_asof(
        counts.hours_of_day(edges, hours).sort("edge_us"), left_on="start_us", right_on="edge_us"
    )
    slow = slow_windows(*read.work).filter((pl.col("end_us") > window.from_us) & (pl.col("start_us") < window.to_us))
    tables = {
        "by_station": counts.by_station(stops, counts.ran_by_station(read.running)),
        "by_cause": counts.by_cause(stops),
        "by_product": counts.by_product(stops, read.cycles),
        "since_start_up": counts.by_class(since, ran.since_start_up(read.ran), "hour"),
        "hour_of_day": counts.by_class(by_hour, of_day.group_by("hour").agg(pl.col("ran_us").sum()), "hour"),
        "clusters": clusters(stops, ran_us),
        "preceded_by": preceded(stops, event_types(read.marks), read.running),
        "slow_running": slow,
        "least_stop": least_stop(*read.work),
        "stops": stops,
    }
    return Study("short-stops", _findings(plant, tables, ran_us), tables, _doubts(model, read, station), [ENTRY])


def least_stop(*work: pl.DataFrame) -> pl.DataFrame:
    """From how long on a stop without alarm shows: one row per lane and step with usual_us, spread_us, least_us."""
    least = pl.min_horizontal(pl.lit(LEAST_STOP_US), pl.col("level_us") / 2)
    key = ["station", "lane", "step"]
    lanes = [
        frame.group_by(key).agg(
            cycles_n=pl.len().cast(pl.Int64),
            usual_us=pl.col("level_us").median(),
            spread_us=pl.col("spread_us").median(),
            least_us=pl.max_horizontal("fence_us", least).median(),
        )
        for frame in work
    ]
    return pl.concat(lanes).with_columns(pl.col(key).cast(pl.String)).sort(key, nulls_last=True)


def _read(
    plant: Plant, cell: str, model: Cell, window: Window, station: str | None, products: list[str] | None
) -> Read:
    inside = (pl.col("start_us") >= window.from_us) & (pl.col("start_us") < window.to_us)
    chosen = pl.lit(True) if station is None else pl.col("station") == station
    if products is not None:
        chosen = chosen & pl.col("product").is_in(products)
    with facts_of(plant, cell, window) as con:
        work = work_of(plant, cell, window, con)
        paced = [lane.paced for lane in work.lanes]
        stopped = with_records(pl.concat([own.filter(pl.col("pace") == STOP) for own in paced]), con)
        named = told_stops(query(con, "all_stops"))
        marks = query(con, "all_marks")
        runs = Names().read(con, "lane_runs")
    silent = one_each(silent_stops(stopped), stopped)
    limit = round(model.micro_stop_s * 1e6)
    short = silent.filter(pl.col("us") < limit)
    cycles = work.cycles.select("station", "product", "start_us", "end_us")
    of_product = cycles if products is None else cycles.filter(pl.col("product").is_in(products))
    read_from_us = plant.file.day_bounds(plant.file.production_day(window.from_us))[0]
    pause_us = round(model.restart_after_s * 1e6)
    span = ran.stretches(of_product, pause_us, window.from_us, window.to_us, read_from_us)
    return Read(
        stops=pl.concat([named, short]).filter(inside & chosen).sort("start_us", "end_us", "lane", "step"),
        long=silent.filter(inside & chosen & (pl.col("us") >= limit)),
        work=[cut(own, chosen) for own in paced],
        cycles=cycles.filter(inside & chosen).select("station", "product"),
        ran=span,
        running=counts.running(runs, model.lanes(), span),
        marks=marks.filter((pl.col("us") >= window.from_us) & (pl.col("us") < window.to_us)),
    )


def _findings(plant: Plant, tables: dict[str, pl.DataFrame], ran_us: int) -> list[str]:
    stations = tables["by_station"]
    if stations.is_empty():
        found = ["No short stop in this period."]
    else:
        told, silent = (stations.filter(pl.col("alarm") == alarm) for alarm in (True, False))
        top = stations.row(0, named=True)
        found = [
            f"In {length(ran_us)} of running there were {counted(int(stations['stops_n'].sum()), 'short stop')} "
            f"of {length(int(stations['us'].sum()))} in all: {int(told['stops_n'].sum() or 0)} with an alarm "
            f"({length(int(told['us'].sum()))}), {int(silent['stops_n'].sum() or 0)} without one "
            f"({length(int(silent['us'].sum()))}).",
            f"Most time went at {top['station']} {'with' if top['alarm'] else 'without'} an alarm: "
            f"{counted(top['stops_n'], 'stop')}, {length(top['us'])}{_between(top)}.",
        ]
    slow = tables["slow_running"]
    for row in slow.filter(pl.col("lost_us") >= TOLD_US).sort("lost_us", descending=True).head(3).rows(named=True):
        found.append(
            f"{row['station']} ran slowly from {_moment(plant, row['start_us'])} to {_moment(plant, row['end_us'])} "
            f"and lost {length(row['lost_us'])}: {row['more_share'] * 100:.1f} % over its usual pace "
            f"(95 %: {row['low_share'] * 100:.1f} to {row['high_share'] * 100:.1f}) in {row['where']}."
        )
    if not tables["clusters"].is_empty():
        row = tables["clusters"].sort("chance", "start_us").row(0, named=True)
        found.append(
            f"{counted(tables['clusters'].height, 'cluster')} in time; the most striking one: {row['stops_n']} stops "
            f"at {row['station']} from {_moment(plant, row['start_us'])} on, where {row['usual_n']:.1f} are usual."
        )
    sure = tables["preceded_by"].filter((pl.col("false_share") <= SURE) & (pl.col("ratio") > 1))
    for row in sure.head(3).rows(named=True):
        found.append(
            f"Within a minute of “{row['event']}” {row['station']} stops {row['ratio']:.1f} times as often as else "
            f"(95 %: {row['ratio_low']:.1f} to {row['ratio_high']:.1f}; {row['after_n']} of its {row['stops_n']})."
        )
    return found


def _between(row: dict[str, object]) -> str:
    between, low, high = row["between_us"], row["between_low_us"], row["between_high_us"]
    if not isinstance(between, float) or not isinstance(low, float) or not isinstance(high, float):
        return ""
    return f", one in {length(between)} of its running time (95 %: {length(low)} to {length(high)})"


def _moment(plant: Plant, us: int) -> str:
    return f"{plant.file.local(us):%a %d %b %H:%M}"


def _doubts(model: Cell, read: Read, station: str | None) -> list[str]:
    doubts = []
    if read.marks.filter(pl.col("kind") == "alarm_on").is_empty():
        doubts.append("No alarm in this period: stops are told by the length of cycles alone, and no cause is known.")
    asked = [s for s in model.working() if station in (None, s) and model.station(s).kind != "feeder"]
    seen = {name for frame in read.work for name in frame["station"].unique()}
    blind = [s for s in asked if s not in seen]
    if not seen:
        doubts.append("No undisturbed cycle in this period: stops without alarm cannot be told.")
    elif blind:
        doubts.append(f"Without undisturbed cycles here, so without stops that no alarm tells: {', '.join(blind)}.")
    if not read.long.is_empty():
        doubts.append(
            f"{counted(read.long.height, 'stop')} without an alarm went beyond the limit of {model.micro_stop_s:g} s "
            "for short stops and stand among the breakdowns (taktbook stops)."
        )
    if seen:
        doubts.append(
            f"A stop without alarm shows from {FENCE:g} times the spread of its cycle on (table least_stop); shorter "
            "ones are within the scatter. A cycle around an alarm, a planned stop or missing data is not looked at."
        )
    if read.ran["began_us"].null_count():
        doubts.append(
            "The cell ran when the first production day began: since when is not known, so its first run is not in the "
            "table since_start_up."
        )
    if not read.ran.is_empty() and not read.stops.is_empty():
        doubts.append("What precedes a stop need not be its cause: both may follow from a third thing.")
    return doubts
