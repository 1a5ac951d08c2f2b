"""What the tables of measurements say, in sentences."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import polars as pl

from analytics.studies.measurements.series import ALL
from analytics.studies.sentences import counted

Clock = Callable[[int], str]


def findings(tables: dict[str, pl.DataFrame], every: pl.DataFrame, clock: Clock) -> list[str]:
    """Say what drifts, what steps, and which characteristic is least capable.

    What a single product does is told beyond what all do (see series.beyond_all), so nothing is said twice.
    """
    drift, step = tables["drifts"], tables["steps"]
    said = [_drift(row, step, clock) for row in drift.iter_rows(named=True)]
    told = step.filter(~pl.col("ends_drift"))
    said += [_step(row, clock) for row in told.iter_rows(named=True)]
    if not said:
        n = every.select("station", "nest", "characteristic", "product").n_unique()
        said = [f"No drift and no step in {counted(every.height, 'value')} of {counted(n, 'series', 'series')}."]
    return [*said, *_least_capable(tables["capability"])]


def _drift(row: dict[str, Any], step: pl.DataFrame, clock: Clock) -> str:
    unit = " half tolerances" if row["product"] == ALL else ""
    text = (
        f"{_name(row)} drifts from {clock(row['start_us'])} to {clock(row['end_us'])}: {_level(row, 'from_level')} to "
        f"{_level(row, 'to_level')}{unit} over {counted(row['values_n'], 'part')}, {_signed(row['per_100_parts'])} per "
        f"100 parts (95 %: {_signed(row['per_100_low'])} to {_signed(row['per_100_high'])})."
    )
    if row["until_limit_n"] is not None:
        until = f"{row['until_limit_low_n']:,.0f} to " + (
            "no end" if row["until_limit_high_n"] is None else f"{row['until_limit_high_n']:,.0f}"
        )
        verb = "reaches" if row["goes_on"] else "would have reached"
        text += f" Its mean {verb} the limit {row['limit']:.4g} after {row['until_limit_n']:,.0f} more (95 %: {until})."
    after = step.filter(
        pl.col("ends_drift") & (pl.col("at_us") >= row["end_us"]) & (pl.col("product") == row["product"])
        & (pl.col("station") == row["station"]) & (pl.col("characteristic") == row["characteristic"])
    ).sort("at_us").head(1)  # fmt: skip
    if after.height:
        back = after.row(0, named=True)
        text += f" Then it steps back by {_signed(back['size'])} at {clock(back['at_us'])}, as after a calibration"
        text += f" ({_company(back)})." if back["asked_n"] > 1 else "."
    return text


def _step(row: dict[str, Any], clock: Clock) -> str:
    heard = f" Logged around it: {row['heard']}." if row["heard"] else ""
    company = f" ({_company(row)})" if row["asked_n"] > 1 else ""
    return (
        f"{_name(row)} steps by {_signed(row['size'])} "
        f"(95 %: {_signed(row['size_low'])} to {_signed(row['size_high'])}) at {clock(row['at_us'])}{company}.{heard}"
    )


def _signed(value: float) -> str:
    return f"{value:+.3g}".replace("-", "−")


def _level(row: dict[str, Any], name: str) -> str:
    return f"{row[name]:.2f}" if row["product"] == ALL else f"{row[name]:.4g}"


def _company(row: dict[str, Any]) -> str:
    hint = ": the gauge, or what all share, rather than a product" if row["alike_n"] == row["asked_n"] else ""
    return f"{row['alike_n']} of {row['asked_n']} products alike{hint}"


def _name(row: dict[str, Any]) -> str:
    place = row["station"] if row["nest"] is None else f"{row['station']}.{row['nest']}"
    return f"{row['characteristic']} at {place}, {row['product'] or 'product unknown'},"


def _least_capable(table: pl.DataFrame) -> list[str]:
    if table.is_empty():
        return []
    row = table.sort("ppk", "station", "characteristic", "product", "nest").row(0, named=True)
    nest = f", {row['nest']}" if row["nest"] else ""
    return [
        f"Least capable: {row['characteristic']} of {row['product']} at {row['station']}{nest}, Ppk {row['ppk']:.2f} "
        f"(95 %: {row['ppk_low']:.2f} to {row['ppk_high']:.2f}, {row['values_n']:,} values)."
    ]
