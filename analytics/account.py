"""The account of a window: every planned microsecond on one line, every part at one place, and the key figures."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import date
from typing import Any

import polars as pl

from analytics.book import Plant, query
from analytics.cell import CELL, Cell
from analytics.kpis import Convention, Elements, figures
from analytics.lines import BY_NAME, LINES
from analytics.parts_account import PartsAccount, cell_parts, station_parts
from ingest.errors import InputError, suggest

ORDER = {line.name: n for n, line in enumerate(LINES)}
SPAN = {"key": pl.String, "from_us": pl.Int64, "to_us": pl.Int64}
IDEAL = ("good", "reject", "start_up_reject", "rework")


@dataclass(frozen=True, slots=True)
class Window:
    """A named span of time, UTC microseconds, half-open."""

    key: str
    from_us: int
    to_us: int


@dataclass(frozen=True)
class Account:
    """One closed account. `lines`: line, station, cause, us, parts; their us add up to planned_busy_us exactly."""

    cell: str
    station: str | None
    window: Window
    zone: str
    convention: Convention
    planned_busy_us: int
    calendar_us: int
    plan: pl.DataFrame  # plan, cause, us: calendar time that is not planned busy time
    lines: pl.DataFrame
    elements: Elements
    parts: PartsAccount
    nests: int = 1
    product: str | None = None
    notes: list[str] = field(default_factory=list)

    @property
    def known_share(self) -> float | None:
        """Share of planned busy time of which the log tells what happened."""
        if not self.planned_busy_us:
            return None
        unknown = [line.name for line in LINES if not line.known]
        return 1 - self.us(*unknown) / self.planned_busy_us

    def us(self, *lines: str) -> int:
        """Sum of some lines in microseconds."""
        return int(self.lines.filter(pl.col("line").is_in(lines))["us"].sum())

    @property
    def difference_us(self) -> int:
        """Planned busy time less the sum of all lines: zero, or the account is broken."""
        return self.planned_busy_us - int(self.lines["us"].sum())

    def totals(self) -> pl.DataFrame:
        """One row per line in the account's order: line, us, parts."""
        return (
            self.lines.group_by("line")
            .agg(pl.col("us").sum(), pl.col("parts").sum())
            .sort(pl.col("line").replace_strict(ORDER, return_dtype=pl.Int64))
        )

    def figures(self) -> dict[str, dict[str, Any]]:
        """Key figures: name -> value, base (name and value), known_share, formula."""
        bases: dict[str, float] = {
            "PBT": self.elements.pbt,
            "APT": self.elements.apt,
            "AUBT": self.elements.aubt,
            "AUPT": self.elements.aupt,
            "APT + ADET": self.elements.apt + self.elements.adet,
            "PBT − stops": self.elements.pbt - self.elements.tpm_down,
            "PRI × PQ": self.elements.ideal,
            "AOET": self.elements.aoet,
            "calendar time": self.elements.calendar,
            "PQ": self.elements.pq,
            "IP": self.elements.ip,
        }
        return {
            kpi.name: {
                "value": value,
                "title": kpi.title,
                "formula": kpi.formula,
                "unit": kpi.unit,
                "base": kpi.base,
                "base_value": bases[kpi.base],
                "base_unit": "parts" if kpi.base in ("PQ", "IP") else "us",
                "known_share": self.known_share,
            }
            for kpi, value in figures(self.elements, self.convention)
        }


def account(
    plant: Plant,
    cell_name: str,
    windows: Window | Sequence[Window],
    *,
    station: str | None = None,
    product: str | None = None,
    convention: Convention = "iso22400",
) -> list[Account]:
    """Close the account of a cell (station None) or of one station for each window.

    With `product`, only time that was charged while this product (or a member of this set) ran counts, and planned
    busy time is what these lines add up to. A station with several nests is accounted for as the sum of its nests.
    Raises InputError for names that do not exist and for periods without events.
    """
    spans = [windows] if isinstance(windows, Window) else list(windows)
    cell = plant.cell(cell_name)
    lanes = _lanes(cell, station)
    wanted = _products(cell, product)
    plant.build(cell_name)
    first = plant.file.production_day(min(w.from_us for w in spans))
    last = plant.file.production_day(max(w.to_us for w in spans) - 1)
    frames = {
        "windows": pl.DataFrame([(w.key, w.from_us, w.to_us) for w in spans], schema=SPAN, orient="row"),
        "opening": _stock_before(plant, cell_name, first),
    }
    days = plant.days_between(cell_name, first, last) or [first]
    with plant.sums(cell_name, days, lanes, (us for w in spans for us in (w.from_us, w.to_us)), frames) as con:
        lines = query(con, "account_lines", lanes=lanes)
        planned = query(con, "planned_time", lanes=lanes)
        cycles = query(con, "station_cycles", lanes=lanes)
        made = query(con, "cell_quantities")
        ordered = query(con, "order_time")
        kits = query(con, "sets_made")
        moved = query(con, "parts_account")
    accounts = []
    for span in spans:
        of_key = pl.col("key") == span.key
        own = lines.filter(of_key)
        if wanted is not None:
            own = own.filter(pl.col("product").is_in(wanted))
        grouped = (
            own.with_columns(parts=pl.col("us") / pl.col("unit_us"))
            .group_by("line", "station", "cause", maintain_order=True)
            .agg(
                pl.col("us").sum(),
                # Without a planned cycle seconds cannot be told in parts: null, not 0.
                parts=pl.when(pl.col("parts").is_not_null().all()).then(pl.col("parts").sum().round(6)),
            )
        )
        grouped = grouped.sort(
            pl.col("line").replace_strict(ORDER, return_dtype=pl.Int64), pl.col("us").abs(), "station", "cause",
            descending=[False, True, False, False], nulls_last=True,
        )  # fmt: skip
        plan = planned.filter(of_key).select("plan", "cause", "us")
        busy = int(plan.filter(pl.col("plan") == "busy")["us"].sum()) if wanted is None else int(grouped["us"].sum())
        mine = moved.filter(of_key)
        if wanted is not None:
            mine = mine.filter(pl.col("product").is_in(wanted))
        counted = cycles.filter(of_key)
        parts = cell_parts(mine, kits.filter(of_key)) if station is None else station_parts(counted)
        calendar = (span.to_us - span.from_us) * len(lanes)
        elements = _elements(
            grouped,
            busy,
            calendar,
            counted,
            made.filter(of_key),
            ordered.filter(of_key),
            station,
        )
        accounts.append(
            Account(
                cell=cell_name, station=station, window=span, zone=plant.file.zone, convention=convention,
                planned_busy_us=busy, calendar_us=calendar,
                plan=plan.filter(pl.col("plan") != "busy"), lines=grouped, elements=elements, parts=parts,
                nests=len(lanes), product=product, notes=_notes(cell, station, grouped),
            )
        )  # fmt: skip
    return accounts


def _stock_before(plant: Plant, cell: str, first: date) -> pl.DataFrame:
    """Parts inside the cell when the first day begins: what the last day before it left behind."""
    earlier = [d for d in plant.days(cell) if d < first]
    if not earlier:
        return pl.DataFrame(schema={"product": pl.String, "inside_n": pl.Int64, "rework_n": pl.Int64})
    kept = plant.store.read_facts(cell, earlier[-1:], "stock")
    assert kept is not None
    return kept


def _elements(
    lines: pl.DataFrame,
    busy: int,
    calendar: int,
    cycles: pl.DataFrame,
    made: pl.DataFrame,
    ordered: pl.DataFrame,
    station: str | None,
) -> Elements:
    sums: dict[str, int] = dict(lines.group_by("line").agg(pl.col("us").sum()).rows())

    def of(element: str) -> int:
        return sum(us for name, us in sums.items() if BY_NAME[name].element == element)

    def n(frame: pl.DataFrame, column: str) -> int:
        return int(frame[column].sum())

    if station is None:
        good, reject, rework = n(made, "good_n"), n(made, "reject_n"), n(made, "rework_n")
    else:
        thrown_out = pl.col("outcome").is_in(["reject", "removed"])
        good = n(cycles.filter(~thrown_out & ~pl.col("rework")), "cycles_n")
        rework = n(cycles.filter(~thrown_out & pl.col("rework")), "cycles_n")
        reject = n(cycles.filter(thrown_out), "cycles_n")
    return Elements(
        pbt=busy,
        adot=of("ADOT"),
        adet=of("ADET"),
        aust=of("AUST"),
        ideal=sum(sums.get(name, 0) for name in IDEAL),
        ideal_good=sums.get("good", 0),
        tpm_down=sum(us for name, us in sums.items() if BY_NAME[name].tpm == "availability"),
        pq=good + reject + rework,
        gq=good,
        sq=reject,
        rq=rework,
        gp=good,
        ip=good + reject + rework,
        aoet=n(ordered, "order_us") or busy,
        calendar=calendar,
    )


def _lanes(cell: Cell, station: str | None) -> list[str]:
    if station is None:
        return [CELL]
    names = [s.name for s in cell.stations]
    if station not in names:
        raise InputError(
            f"cell {cell.name} has no such station",
            where="--station",
            found=station,
            allowed=", ".join(names),
            fix=suggest(station, names) or "use one of the allowed names",
        )
    return cell.lanes().filter(pl.col("station") == station)["lane"].to_list()


def _products(cell: Cell, product: str | None) -> list[str] | None:
    if product is None:
        return None
    known = [p.name for p in cell.products] + [s.name for s in cell.sets]
    if product not in known:
        raise InputError(
            f"cell {cell.name} has no such product",
            where="--product",
            found=product,
            allowed=", ".join(known),
            fix=suggest(product, known) or "use one of the allowed names",
        )
    return [product, *(p.name for p in cell.products if p.set == product)]


def _notes(cell: Cell, station: str | None, lines: pl.DataFrame) -> list[str]:
    notes = []
    fast = int(lines.filter(pl.col("line") == "fast_cycle")["us"].sum())
    good = int(lines.filter(pl.col("line").is_in(IDEAL))["us"].sum())
    if station is not None and good and -fast > good * 0.05:
        notes.append(f"Cycles are {-fast / good:.0%} shorter than planned: the planned cycle of {station} is too long.")
    if station is not None and lines.filter(pl.col("line").is_in(IDEAL) & pl.col("parts").is_null()).height:
        notes.append(
            f"Some products have no planned cycle at {station} in cells/{cell.name}.toml: their work counts as planned."
        )
    return notes
