"""Who the cell waited for: the gating chain's shares, what would gate next, slack, how well the chain is founded."""

from __future__ import annotations

import polars as pl

from analytics.account import Window, _lanes, _products
from analytics.book import Plant, query
from analytics.cell import Cell
from analytics.gating.chain import CYCLES, STATES, STEPS
from analytics.study import Study, facts_of

BIN_US = 900_000_000
NEVER_N = 20
"""A kind of link that was a candidate so often and never bound is told."""
MEANING = {
    STEPS: "from the robots' own steps and the stations' cycles",
    CYCLES: "from the stations' cycles; what moves the parts is not logged",
    STATES: "from states only, instant by instant: a buffer's past is not seen, and whoever is last in the flow is "
    "charged too much",
}


def gate(plant: Plant, cell: str, window: Window, *, station: str | None = None, product: str | None = None) -> Study:
    """Tell whom the cell waited for in a window.

    Tables   stations (share of planned busy time, of it work and loss), steps (the same per station, step and line),
             quarters (the gate of every quarter of an hour), next (who came last where two ways met, and who would
             have been next, with the margin), slack (of every step), links (of the task graph), plan_gap (one row).
    """
    model = plant.cell(cell)
    _lanes(model, station)
    members = _products(model, product)
    spans = {"from_us": window.from_us, "to_us": window.to_us}
    with facts_of(plant, cell, window) as con:
        steps = query(con, "gate_shares", members=members, **spans)
        quarters = query(con, "gate_bins", bin_us=BIN_US, **spans)
        upcoming = query(con, "gate_next", **spans)
        slack = query(con, "step_slack", **spans)
        links = query(con, "gate_links")
        quality = con.sql("select * from gating").pl()
        gap = query(con, "plan_gap", **spans)
    if steps.is_empty():
        return Study(
            "gate",
            ["There is no planned busy time in this period."],
            {},
            ["Nothing was planned, so nothing was waited for."],
        )
    total = int(steps["us"].sum())
    shares = _shares(steps, total)
    tables = {
        "stations": shares,
        "steps": steps.with_columns(time_share=pl.col("us") / total).select(
            "station", "step", "line", "us", "time_share", "pieces_n", "absorbed_us"
        ),
        "quarters": _quarters(quarters),
        "next": upcoming,
        "slack": slack,
        "links": links,
        "plan_gap": gap,
    }
    if station is not None:
        lanes = model.lanes().filter(pl.col("station") == station)["lane"].to_list()
        tables["steps"] = tables["steps"].filter(pl.col("station") == station)
        tables["next"] = upcoming.filter(pl.col("lane").is_in(lanes) | pl.col("next_lane").is_in(lanes))
        tables["slack"] = slack.filter(pl.col("lane").is_in(lanes))
        tables["links"] = links.filter(pl.col("lane").is_in(lanes))
    instant = int(steps["instant_us"].sum()) / total
    return Study(
        "gate",
        [*_findings(shares, upcoming, slack, model), *_gap_words(gap)],
        tables,
        _doubts(quality, links, upcoming, instant),
        [],
    )


def _shares(steps: pl.DataFrame, total: int) -> pl.DataFrame:
    work = pl.col("line") == "work"
    return (
        steps.group_by("station")
        .agg(
            pl.col("us").sum(),
            work_us=pl.col("us").filter(work).sum(),
            slow_us=pl.col("us").filter(pl.col("line") == "slow_cycle").sum(),
            lost_us=pl.col("us").filter(~work & (pl.col("line") != "slow_cycle")).sum(),
            absorbed_us=pl.col("absorbed_us").sum(),
        )
        .with_columns(gate_share=pl.col("us") / total)
        .sort("us", "station", descending=[True, False])
        .select("station", "gate_share", "us", "work_us", "slow_us", "lost_us", "absorbed_us")
        .with_columns(pl.col("station").fill_null("whole cell"))
    )


def _quarters(bins: pl.DataFrame) -> pl.DataFrame:
    """The gate of every quarter, who followed, and by how much."""
    return (
        bins.group_by("start_us", maintain_order=True)
        .agg(
            gate=pl.col("station").first().fill_null("whole cell"),
            gate_share=pl.col("gate_share").first(),
            work_us=pl.col("work_us").first(),
            second=pl.col("station").get(1, null_on_oob=True),
            second_share=pl.col("gate_share").get(1, null_on_oob=True),
        )
        .sort("start_us")
    )


def _findings(shares: pl.DataFrame, upcoming: pl.DataFrame, slack: pl.DataFrame, cell: Cell) -> list[str]:
    named = shares.filter(pl.col("station") != "whole cell")
    if named.is_empty():
        return ["The whole cell stood all the time: no station was waited for."]
    first = named.row(0, named=True)
    told = [
        f"The cell waited for {first['station']} or was paced by it {first['gate_share'] * 100:.0f} % of its planned "
        f"busy time ({first['work_us'] / 3.6e9:.1f} h within its plan, {first['slow_us'] / 60e6:.0f} min slow, "
        f"{first['lost_us'] / 60e6:.0f} min stopped)."
    ]
    lanes = cell.lanes().filter(pl.col("station") == first["station"])["lane"].to_list()
    others = upcoming.filter(pl.col("lane").is_in(lanes) & ~pl.col("next_lane").is_in(lanes))
    if not others.is_empty():
        by_lane = others.group_by("next_lane").agg(
            pl.col("meetings_n").sum(), margin=(pl.col("margin_median_us") * pl.col("meetings_n")).sum()
        )
        best = by_lane.sort("meetings_n", "next_lane", descending=[True, False]).row(0, named=True)
        told.append(
            f"If it were quicker, {best['next_lane']} would gate next: it was "
            f"{best['margin'] / best['meetings_n'] / 1e6:.1f} s ahead in the middle of their {best['meetings_n']:,} "
            "meetings."
        )
    often = pl.col("ends_n") > pl.col("ends_n").max() / 20  # seldom done steps say little
    spare = slack.filter(~pl.col("lane").is_in(lanes) & often)
    if not spare.is_empty():
        tight = spare.row(0, named=True)
        told.append(
            f"Elsewhere {tight['lane']} {tight['step']} has the least slack: half of the time "
            f"{tight['slack_median_us'] / 1e6:.1f} s or less; it gates {tight['gating_share'] * 100:.0f} % of the time."
        )
    return told


def _gap_words(gap: pl.DataFrame) -> list[str]:
    row = gap.row(0, named=True)
    if not row["parts_n"] or row["work_us"] is None:
        return []
    per, takt = row["work_us"] / row["parts_n"] / 1e6, row["takt_us"] / row["parts_n"] / 1e6
    side = "more than" if per > takt else "less than"
    held = "the plan cannot be met even without a loss" if per > takt * 1.005 else "the plan can be met"
    return [
        f"Work along the chain took {per:.2f} s per part, {abs(per - takt):.2f} s {side} the planned takt of "
        f"{takt:.2f} s: {held}."
    ]


def _doubts(quality: pl.DataFrame, links: pl.DataFrame, upcoming: pl.DataFrame, instant: float) -> list[str]:
    had = [basis for basis in (STATES, CYCLES, STEPS) if (quality["basis"] == basis).any()]
    doubts = [f"The chain is told {MEANING[basis]}." for basis in had]
    unbound, moments = int(quality["unbound_n"].sum()), int(quality["moments_n"].sum())
    if unbound:
        doubts.append(f"{unbound:,} of {moments:,} moments are bound to nothing; the first of a log always is.")
    ties, met = int(upcoming["near_ties_n"].sum()), int(upcoming["meetings_n"].sum())
    if met:
        doubts.append(f"At {ties:,} of {met:,} meetings two ways lay within noise: either could be named.")
    never = links.filter((pl.col("cases_n") >= NEVER_N) & (pl.col("bound_n") == 0) & (pl.col("thread") != "demand"))
    if never.height:
        named = ", ".join(f"{r['lane']} {r['what']} for {r['waited_for']}" for r in never.head(4).iter_rows(named=True))
        doubts.append(f"{never.height} kinds of links were candidates and never bound (table links), e.g. {named}.")
    if instant > 0.001:
        doubts.append(
            f"{instant * 100:.1f} % of the time is charged instant by instant: it lies before the first or after the "
            "last part that left."
        )
    return doubts
