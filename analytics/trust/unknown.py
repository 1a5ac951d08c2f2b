"""Words in the events that the cell model does not know: codes, causes, stations, nests, products."""

from __future__ import annotations

import polars as pl

from analytics.cell import Cell


def unknown(events: pl.DataFrame, cell: Cell) -> pl.DataFrame:
    """Return the events with a word that the cell model does not know, once per word: their columns, what, name.

    what: unknown code (of alarms), unknown cause (of verdicts and reasons), unknown station (also as `at`), unknown
    nest, unknown product. Takes stored events: preparing them drops the nests that are not known.
    """
    stations = [s.name for s in cell.stations]
    codes = [c.code for c in cell.causes]
    products = [*(p.name for p in cell.products), *(s.name for s in cell.sets)]
    nests = [f"{s.name}.{nest}" for s in cell.stations for nest in s.nests]
    kind, station = pl.col("kind"), pl.col("station")
    # The nest of a robot's step is that of the machine which it serves.
    of_nest = station.is_in(stations) & ~kind.is_in(["step_start", "step_end"])
    asked = (
        ("unknown code", kind == "alarm_on", pl.col("code"), codes),
        ("unknown cause", kind.is_in(["result", "cycle_end", "reason"]), pl.col("cause"), codes),
        ("unknown station", pl.lit(True), station, stations),
        ("unknown station", pl.lit(True), pl.col("at"), stations),
        ("unknown nest", of_nest, station + "." + pl.col("nest"), nests),
        ("unknown product", pl.lit(True), pl.col("product"), products),
    )
    return pl.concat([
        events.filter(where & name.is_not_null() & ~name.is_in(known)).with_columns(what=pl.lit(what), name=name)
        for what, where, name, known in asked
    ])  # fmt: skip
