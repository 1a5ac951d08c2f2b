"""The study `measurements`: what a window tells of measured values, their limits and their gauges."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import polars as pl

from analytics.account import Window, _lanes, _products
from analytics.book import Plant, query
from analytics.cell import Cell
from analytics.characteristics import limits
from analytics.statistics.drift import LEAST_VALUES, Stretch, levels, stretches
from analytics.studies.measurements import charts
from analytics.studies.measurements.drifts import DRIFTS, STEPS, drifts, steps
from analytics.studies.measurements.indices import INDICES, SPREAD, indices, spread
from analytics.studies.measurements.series import ALL, BEFORE_US, beyond_all, series_of, through_nests, values
from analytics.studies.measurements.words import findings
from analytics.studies.sentences import counted
from analytics.study import Names, Study, facts_of

Clock = Callable[[int], str]


@dataclass(frozen=True)
class Frames:
    """What the study is told from."""

    measured: pl.DataFrame  # see sql/measured.sql
    cycles: pl.DataFrame  # see sql/nests_of_parts.sql; names are Categorical
    marks: pl.DataFrame  # see sql/said_of_stations.sql


def measurements(
    plant: Plant, cell: str, window: Window, *, station: str | None = None, product: str | None = None
) -> Study:
    """Tell how measured values lie within their limits, whether they drift or step, and what the charts signal.

    `station` is the measuring one; `product` a product or a set (then all its members). Raises InputError for names
    that do not exist and periods without events.
    """
    model = plant.cell(cell)
    _lanes(model, station)
    members = _products(model, product)
    span = {"from_us": window.from_us, "to_us": window.to_us}
    with facts_of(plant, cell, window) as con:
        frames = Frames(
            measured=query(con, "measured", **span, station=station),
            cycles=Names().read(con, "nests_of_parts", **span, before_us=BEFORE_US),
            marks=query(con, "said_of_stations"),
        )

    def clock(us: int) -> str:
        return f"{plant.file.local(us):%a %d %b %H:%M}"

    return tell(frames, model, members, clock)


def tell(frames: Frames, cell: Cell, members: list[str] | None, clock: Clock) -> Study:
    """The study from its frames; `members`: only these products; `clock` writes an instant in words."""
    every = values(frames.measured, frames.cycles, limits(cell))
    if members is not None:
        every = every.filter(pl.col("product").is_in(members))
    if every.is_empty():
        return Study("measurements", [], {}, ["No value was measured in this period: there is nothing to tell."])
    doubts = _doubts(frames.measured, every)
    points, signals, drift, step, few = [], [], [], [], 0
    spreads, ratios = [], []
    together: tuple[pl.DataFrame, list[Stretch] | None] | None = None
    through = through_nests(every, frames.cycles)
    for key, own in series_of(every):
        cut = stretches(own["value"])
        few += cut is None
        drawn = charts.chart(key, own, cut)
        far_off = False
        if drawn:
            points.append(drawn[0])
            signals.append(drawn[1])
            far_off = charts.single_values_far_off(drawn[1])
        alone, alone_cut = own, cut
        if key["product"] == ALL:
            together = (own, cut)
        elif (shared := _of_its_place(together, key)) and len(shared[1]) + shared[1][0].moves > 1:
            alone = beyond_all(own, shared[0], levels(shared[1]))
            alone_cut = stretches(alone["value"])
        if alone_cut:
            drift.append(drifts(key, alone, alone_cut))
            step.append(steps(key, alone, alone_cut, frames.marks, own["product"]))
        if key["product"] == ALL:
            continue
        steady = cut is not None and len(cut) == 1 and not cut[0].moves and not far_off
        place = {k: key[k] for k in ("station", "characteristic", "product")}
        for nest, part in [(key["nest"], own), *_by_nest(own, through)]:
            row = {**place, "nest": nest}
            spreads.append(spread(row, part, steady=steady))
            ratios.append(indices(row, part, steady=steady))
    tables = {
        "drifts": _joined(drift, DRIFTS),
        "steps": _joined(step, STEPS),
        "capability": pl.DataFrame([r for r in ratios if r], schema=INDICES),
        "spread": pl.DataFrame(spreads, schema=SPREAD),
        "signals": _joined(signals, charts.SIGNALS),
        "chart": _joined(points, charts.CHART),
    }
    looked = len(drift)
    if looked > 1:
        doubts.append(
            f"Drifts and steps were looked for in {looked} series; about 1 of 100 that stand shows a false one. A "
            "small step of one product alone is to be doubted first."
        )
    if few:
        doubts.append(
            f"{counted(few, 'series', 'series')} of fewer than {LEAST_VALUES} values: drifts and steps are not looked "
            "for there, and it is not known whether they are steady, so they have no Cp and Cpk."
        )
    unsteady = tables["spread"].filter(~pl.col("steady")).height
    if unsteady and tables["capability"].height:
        doubts.append(
            "Cp and Cpk are only given where a series stands, without single values far off; elsewhere Pp and Ppk tell "
            "what was delivered. All intervals are for normal values; Ppk by percentiles does without."
        )
    return Study("measurements", findings(tables, every, clock), tables, doubts)


def _of_its_place(
    together: tuple[pl.DataFrame, list[Stretch] | None] | None, key: dict[str, str | None]
) -> tuple[pl.DataFrame, list[Stretch]] | None:
    """The last series of all products, if it is of the same place and characteristic and could be cut."""
    if together is None or together[1] is None:
        return None
    same = all(together[0][k][0] == key[k] for k in ("station", "nest", "characteristic"))
    return (together[0], together[1]) if same else None


def _by_nest(own: pl.DataFrame, through: pl.DataFrame) -> list[tuple[str | None, pl.DataFrame]]:
    keys = ["station", "nest", "characteristic", "product"]
    here = through.join(own.select(keys).unique(), on=keys, how="semi", nulls_equal=True)
    return [
        (str(name), part) for (name,), part in here.sort("through", "at_us").group_by("through", maintain_order=True)
    ]


def _joined(frames: list[pl.DataFrame], schema: dict[str, type[pl.DataType]]) -> pl.DataFrame:
    return pl.concat(frames) if frames else pl.DataFrame(schema=schema)


def _doubts(measured: pl.DataFrame, every: pl.DataFrame) -> list[str]:
    said = []
    odd = measured.filter(~pl.col("value").is_finite() | pl.col("value").is_null()).height
    if odd:
        said.append(f"{counted(odd, 'measurement')} without a number: left out.")
    nameless = every.filter(pl.col("product").is_null()).height
    if nameless:
        said.append(f"{counted(nameless, 'value')} of parts whose product no log tells: charted, but without limits.")
    wrong = every.filter(~pl.col("unit_fits")).select("characteristic", "unit").unique().sort("characteristic", "unit")
    said += [
        f"{name} is logged in {unit}, its limits are in another unit: not compared." for name, unit in wrong.rows()
    ]
    bare = every.filter(pl.col("low").is_null() & pl.col("high").is_null() & pl.col("unit_fits"))
    names = bare["characteristic"].fill_null("a characteristic without a name").unique().sort().to_list()
    if names:
        said.append(
            f"{', '.join(names)}: no limits for these products in the cell file (products, characteristics), so no "
            "capability and no distance to a limit."
        )
    return said
