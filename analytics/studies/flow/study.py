"""Flow of a cell in a window: waiting, the bottleneck by four methods, buffers, work in process."""

from __future__ import annotations

import polars as pl

from analytics.account import Window, _lanes
from analytics.book import Plant
from analytics.studies.flow import tables, words
from analytics.studies.flow.active import active_periods, average_active, handover_us, momentary, roles
from analytics.studies.flow.between import Little, all_passages, little, stays_between
from analytics.studies.flow.read import Read, read
from analytics.studies.flow.series import in_series
from analytics.study import Study

HANDOVER_SHARE = 0.1
"""A hand-over takes this share of the planned takt at most; what is longer is waiting."""
SAFETY = (
    "Active time holds safety stops, too. They are not there to be shortened: the site's lock-out procedure and the "
    "risk assessment decide who enters the cell and when."
)

ONE_PRODUCT = (
    "Only the time and parts of this product are looked at; shares of the bottleneck are of all planned busy time, and "
    "the gating chain is that of all products."
)


def flow(plant: Plant, cell: str, window: Window, *, station: str | None = None, product: str | None = None) -> Study:
    """Tell who waits for whom, where the bottleneck is and moves to, and what lies between the stations.

    `station` keeps the rows of one station (the bottleneck is still sought among all of them); `product` looks at the
    time and the parts of one product only. Raises InputError for names that do not exist and periods without events.
    """
    _lanes(plant.cell(cell), station)
    facts = read(plant, cell, window, product)
    if not facts.busy_us or facts.pieces.is_empty():
        why = "no planned busy time" if not facts.busy_us else "no record of a working station in planned busy time"
        return Study("flow", [f"There is {why} in this period."], {}, ["Nothing waits and nothing flows without it."])
    found: list[str] = []
    doubts = [ONE_PRODUCT] if product else []
    shown: dict[str, pl.DataFrame] = {}

    most = round(HANDOVER_SHARE * float(facts.model.takts()["takt_us"].median()))  # type: ignore[arg-type]
    bridge = handover_us(facts.pieces, most)
    periods = active_periods(facts.pieces, facts.busy, bridge)
    words_again = pl.col("lane").cast(pl.String)
    chosen = momentary(periods)
    role = roles(chosen.with_columns(words_again))
    lanes = tables.bottleneck_by_lane(role, average_active(periods).with_columns(words_again), facts)
    found += words.bottleneck_words(lanes, bridge)

    whole = tables.waiting_by(facts, [window.from_us, window.to_us])
    by_bin = tables.waiting_by(facts, facts.edges)
    line, why_not = in_series(facts.visits.select("part", "station", us="start_us").group_by("part", "station").min())
    named: words.Named = words.active_names(lanes)
    if why_not:
        doubts.append(f"No turning point and no arrows: they are defined for stations in series, and {why_not}.")
        shown_line = None
    else:
        shown_line = tables.in_line(line, whole, by_bin)
        named += words.line_names(shown_line)
        doubts += words.left_out(facts, line)
    named += words.chain_names(facts, doubts)
    both = tables.beside_chain(role, facts)
    found += words.agreement_words(both, named)

    shown["named_by"] = pl.DataFrame(
        named, schema={"method": pl.String, "station": pl.String, "why": pl.String}, orient="row"
    )
    shown["bottleneck"] = _only(lanes, station)
    shown["waiting"] = _only(whole.drop("start_us", "end_us"), station)
    if shown_line is not None:
        shown["line"] = _only(shown_line, station)
    stays = _stays(facts, doubts)
    shown["levels"] = _ends(
        tables.levels(stays, facts, [window.from_us, window.to_us]).drop("start_us", "end_us"), station
    )
    found += words.level_words(shown["levels"])
    law = little(facts.lives, facts.moves, _opening(facts.lives, window.from_us), window.from_us, window.to_us)
    found += words.little_words(law, facts, doubts)
    shown["little"] = _little_table(law)
    shown["bottleneck_over_time"] = tables.over_time(role, facts, both)
    shown["bottleneck_periods"] = _only(_periods(chosen, periods, facts), station)
    shown["waiting_over_time"] = _only(by_bin, station)
    shown["levels_over_time"] = _ends(tables.levels(stays, facts, facts.edges), station)
    doubts += words.waiting_doubts(whole, lanes)
    stopped = facts.pieces.filter(pl.col("line") == "safety_stop").height > 0
    return Study("flow", found, shown, doubts, [SAFETY] if stopped else [])


def _only(frame: pl.DataFrame, station: str | None) -> pl.DataFrame:
    return frame if station is None else frame.filter(pl.col("station") == station)


def _ends(frame: pl.DataFrame, station: str | None) -> pl.DataFrame:
    return frame if station is None else frame.filter((pl.col("from") == station) | (pl.col("to") == station))


def _stays(facts: Read, doubts: list[str]) -> pl.DataFrame:
    passages, coarse = all_passages(facts.passages, facts.visits)
    stays = stays_between(passages, facts.lives.filter(pl.col("done_us").is_not_null()), facts.model)
    if stays.is_empty():
        doubts.append("No levels between stations: no part is followed by its number from one station to the next.")
    elif coarse:
        doubts.append(
            f"No departures are kept of {', '.join(coarse)}: their finished parts count as between the stations, also "
            "while they are still there."
        )
    unseen = stays.filter(pl.col("start_us").is_null()).height
    if unseen:
        doubts.append(
            f"{unseen} parts arrived whose departure before is not in the log of these days: they count from the start."
        )
    return stays


def _opening(lives: pl.DataFrame, from_us: int) -> int:
    done = pl.col("done_us")
    return lives.filter((pl.col("fed_us") < from_us) & (done.is_null() | (done >= from_us))).height


def _little_table(law: Little | None) -> pl.DataFrame:
    if law is None:
        return pl.DataFrame()
    return pl.DataFrame(
        {
            "mean_wip_n": [law.mean_wip], "out_n": [law.out], "per_h_n": [law.throughput_per_us * 3.6e9],
            "mean_stay_us": [None if law.mean_stay_us is None else round(law.mean_stay_us)],
            "by_little_n": [law.by_little], "edges_n": [law.edges], "rest_n": [law.rest],
        },
        schema_overrides={"mean_stay_us": pl.Int64, "by_little_n": pl.Float64},
    )  # fmt: skip


def _periods(chosen: pl.DataFrame, periods: pl.DataFrame, facts: Read) -> pl.DataFrame:
    """The active periods that were the bottleneck in turn: start_us, end_us, us, lane, station, tie, cut."""
    return (
        chosen.join(periods.select("lane", "start_us", "cut"), on=["lane", "start_us"], how="left")
        .with_columns(pl.col("lane").cast(pl.String))
        .join(facts.model.lanes().select("lane", "station"), on="lane", how="left")
        .with_columns(us=pl.col("end_us") - pl.col("start_us"))
        .select("start_us", "end_us", "us", "lane", "station", "tie", "cut")
        .sort("start_us", "end_us", "lane")
    )
