"""What the events say that the cell model does not know, and what the model lacks for its account to be complete."""

from __future__ import annotations

import polars as pl

from analytics.book import Plant
from analytics.cell import PLACES, Cell
from analytics.trust.unknown import unknown

FINDINGS = {
    "what": pl.String,
    "name": pl.String,
    "n": pl.Int64,
    "file": pl.String,
    "line": pl.Int64,
    "fix": pl.String,
}


def findings(plant: Plant, cell_name: str) -> pl.DataFrame:
    """Hold the events of a cell against its model.

    Returns  one row per finding, FINDINGS: what (unknown code, unknown cause, unknown station, unknown nest, unknown
             product, no planned cycle, no silence limit), name, n (events that carry it), file and line of the first
             of them, fix (what to write where). Sorted by what, most frequent first.
    """
    cell = plant.cell(cell_name)
    where = f"cells/{cell_name}.toml"
    events = plant.store.events(cell_name, plant.days(cell_name))
    entry = f"add it to {where}:  [[causes]]  code = …  text = …  line = …"
    place = f"add it to {where} under [[stations]], or map the word to another station in the source's [words]"
    nest = f"name it in the station's `nests` in {where}; until then it counts for the station as a whole"
    made = f"add it to {where} under [[products]]"
    fixes = {
        "unknown code": entry,
        "unknown cause": entry,
        "unknown station": place,
        "unknown nest": nest,
        "unknown product": made,
    }
    odd = unknown(events, cell)
    found = [
        *(_rows(what, odd.filter(pl.col("what") == what), fix) for what, fix in fixes.items()),
        _without_plan(events, cell, where),
        _without_limit(events, cell, where),
    ]
    return pl.concat(found).sort("what", "n", "name", descending=[False, True, False])


def _rows(what: str, named: pl.DataFrame, fix: str) -> pl.DataFrame:
    return (
        named.sort("file", "line")
        .group_by("name", maintain_order=True)
        .agg(n=pl.len(), file=pl.col("file").first(), line=pl.col("line").first())
        .select(pl.lit(what).alias("what"), "name", "n", "file", "line", pl.lit(fix).alias("fix"))
        .cast(FINDINGS)  # type: ignore[arg-type]
    )


def _without_plan(events: pl.DataFrame, cell: Cell, where: str) -> pl.DataFrame:
    """Stations that work on a product for which they have no planned cycle."""
    working = [s.name for s in cell.stations if s.kind not in PLACES]
    product = events.filter(pl.col("product").is_not_null()).select("part", made="product").unique("part")
    done = (
        events.filter((pl.col("kind") == "cycle_end") & pl.col("station").is_in(working))
        .join(product, on="part", how="left")
        .with_columns(made=pl.coalesce("product", "made"))
        .filter(pl.col("made").is_not_null())
        .join(cell.planned(), left_on=["station", "made"], right_on=["station", "product"], how="anti")
    )
    fix = (
        f"add  cycle_s = {{ station = seconds }}  to the product in {where}; until then all its work counts as planned"
    )
    return _rows("no planned cycle", done.with_columns(name=pl.col("station") + " × " + pl.col("made")), fix)


def _without_limit(events: pl.DataFrame, cell: Cell, where: str) -> pl.DataFrame:
    """Sources whose silence would go unnoticed: no limit, or no station that depends on them."""
    limited = [s.name for s in cell.sources if s.silence_s]
    speaks = events.filter(pl.col("station").is_not_null() & pl.col("kind").is_in(["cycle_end", "state", "step_end"]))
    fix = f"add  [[sources]]  name = …  silence_s = 120  to {where} and name the source in `sources` of its stations"
    return _rows("no silence limit", speaks.filter(~pl.col("source").is_in(limited)).with_columns(name="source"), fix)
