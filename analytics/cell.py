"""The cell model: cells/<cell>.toml -> Cell. Stations, flow, products, sets, causes, limits."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from typing import Annotated, Literal

import polars as pl
from pydantic import Field

from analytics.characteristics import Characteristic, wrong_limits
from analytics.lines import CAUSE_LINES
from analytics.links import Clocks, Link, Pin, contradictions
from ingest.errors import suggest
from ingest.toml_file import Strict, check_model, read_toml

Kind = Literal["feeder", "robot", "machine", "inspection", "gauge", "handover", "carrier", "buffer", "manual"]
PLACES: tuple[Kind, ...] = ("handover", "carrier", "buffer")
"""Kinds that hold parts and do no work on them: no planned cycle is expected."""

CELL = "*"
"""The lane under which the cell's own account stands beside those of its stations."""

Seconds = Annotated[float, Field(gt=0)]
Name = Annotated[str, Field(min_length=1, pattern=r"^[^.\s/\\][^./\\]*$")]


class Station(Strict):
    """One place in the cell where a part can be, or a robot."""

    name: Name
    kind: Kind
    title: str = ""
    nests: tuple[Name, ...] = ()
    """Parallel places, each working on a part of its own."""
    feeds_from: tuple[str, ...] = Field(default=(), alias="from")
    """Stations that parts come from (the flow graph)."""
    entry: bool | None = None
    """True where a part is first known by its number; default: stations without `from`."""
    capacity: int | None = Field(default=None, ge=1)
    """Places of a buffer."""
    sources: tuple[str, ...] = ()
    """Sources that report for this station; when all are silent beyond their limit, there is no data."""


class Product(Strict):
    """One type of part, as the logs name it."""

    name: str = Field(min_length=1)
    title: str = ""
    set: str | None = None
    takt_s: Seconds
    """Planned seconds per good part at the outlet of the cell."""
    hand_fed: bool = False
    cycle_s: dict[str, Seconds] = Field(default_factory=dict)
    """Planned net cycle per station (of one nest, where it has several)."""
    characteristics: dict[str, Characteristic] = Field(default_factory=dict)
    """Limits of what is measured on a part, by the name that the logs give it."""


class SetType(Strict):
    """A product that is only complete as a set of parts."""

    name: str = Field(min_length=1)
    title: str = ""
    members: dict[str, Annotated[int, Field(ge=1)]]


class Cause(Strict):
    """An entry of the catalogue: what an alarm code or cause means and which line it is booked on."""

    code: str = Field(min_length=1)
    text: str = ""
    line: Literal[*CAUSE_LINES] = "breakdown"  # type: ignore[valid-type]
    station: str | None = None
    """Who is to blame, where it is not the station that reports it."""


class SourceLimit(Strict):
    """How long a source may be silent before what it reports on is unknown, and what its clock is worth."""

    name: str
    silence_s: Seconds | None = None
    """Needed for sources that a station names."""
    clock: Literal["estimate", "off"] = "estimate"
    """`off`: its times are taken as they are."""
    pins: tuple[Pin, ...] = ()
    """Offsets that a person knows; while one holds, nothing is estimated."""


class Cell(Strict):
    """A cell and everything that its accounts are held against."""

    name: Name
    title: str = ""
    outlet: str
    unit: str = "part"
    micro_stop_s: Seconds = 60.0
    silent_stop_s: Seconds = 5.0
    start_up_parts: int = Field(default=3, ge=0)
    restart_after_s: Seconds = 1800.0
    """No part fed for longer than this: the next ones are first parts after a restart."""
    lost_after_h: Seconds = 24.0
    stations: tuple[Station, ...] = Field(min_length=1)
    products: tuple[Product, ...] = Field(min_length=1)
    sets: tuple[SetType, ...] = ()
    causes: tuple[Cause, ...] = ()
    sources: tuple[SourceLimit, ...] = ()
    links: tuple[Link, ...] = ()
    clocks: Clocks = Clocks()

    def station(self, name: str) -> Station:
        """Return the station of that name (KeyError when there is none)."""
        for station in self.stations:
            if station.name == name:
                return station
        raise KeyError(name)

    def working(self) -> list[str]:
        """Stations that work on parts: all but places (belts, hand-overs) for which no cycle is planned."""
        planned = {station for product in self.products for station in product.cycle_s}
        return [s.name for s in self.stations if s.kind not in PLACES or s.name in planned]

    def entries(self) -> list[str]:
        """Stations where a part is first known."""
        marked = [s.name for s in self.stations if s.entry]
        return marked or [s.name for s in self.stations if not s.feeds_from]

    def lanes(self) -> pl.DataFrame:
        """One row per lane (a station, or one nest of it): lane, station, nest, kind, upstream order kept."""
        rows = [
            (s.name if not nest else f"{s.name}.{nest}", s.name, nest, s.kind)
            for s in self.stations
            for nest in (s.nests or (None,))
        ]
        return pl.DataFrame(
            rows,
            schema={"lane": pl.String, "station": pl.String, "nest": pl.String, "kind": pl.String},
            orient="row",
        )

    def planned(self) -> pl.DataFrame:
        """Planned cycles: station, product, planned_us. For a set's name, the mean over its members."""
        rows = [
            (station, key, round(seconds * 1e6))
            for p in self.products
            for key in ({p.name, p.set} - {None})
            for station, seconds in p.cycle_s.items()
        ]
        frame = pl.DataFrame(
            rows, schema={"station": pl.String, "product": pl.String, "planned_us": pl.Int64}, orient="row"
        )
        return frame.group_by("station", "product").agg(pl.col("planned_us").mean().round().cast(pl.Int64))

    def takts(self) -> pl.DataFrame:
        """Planned cell cycle: product (or set's name), takt_us."""
        rows = [(key, p.takt_s * 1e6) for p in self.products for key in ({p.name, p.set} - {None})]
        frame = pl.DataFrame(rows, schema={"product": pl.String, "takt_us": pl.Float64}, orient="row")
        return frame.group_by("product").agg(pl.col("takt_us").mean().round().cast(pl.Int64))

    def catalogue(self) -> pl.DataFrame:
        """Cause catalogue: code, text, line, blamed."""
        return pl.DataFrame(
            [(c.code, c.text or c.code, c.line, c.station) for c in self.causes],
            schema={"code": pl.String, "cause_text": pl.String, "line": pl.String, "blamed": pl.String},
            orient="row",
        )

    def family(self) -> dict[str, str]:
        """Map each product to what a changeover is between: its set, or itself."""
        return {p.name: p.set or p.name for p in self.products} | {s.name: s.name for s in self.sets}


def read_cell(path: Path, shown_as: str) -> Cell:
    """Read and validate a cell file.

    Raises ConfigError with every problem found, InputError when there is no such file.
    """
    file = read_toml(path, shown_as)
    cell = check_model(file, Cell, file.data)
    for loc, message, found, allowed, fix in _contradictions(cell) if cell else ():
        file.problem(loc, message, found=found, allowed=allowed, fix=fix)
    file.raise_problems()
    assert cell is not None
    return cell


Finding = tuple[tuple[str | int, ...], str, str | None, str | None, str | None]


def _contradictions(cell: Cell) -> Iterator[Finding]:
    names = [s.name for s in cell.stations]
    known = ", ".join(dict.fromkeys(names))

    def undefined(loc: tuple[str | int, ...], name: str, what: str = "this station is not defined") -> Finding:
        return loc, what, name, known, suggest(name, names) or "define it under [[stations]]"

    for label, values in (
        ("stations", names),
        ("products", [p.name for p in cell.products]),
        ("sets", [s.name for s in cell.sets]),
        ("causes", [c.code for c in cell.causes]),
    ):
        for value, n in Counter(values).items():
            if n > 1:
                second = [i for i, v in enumerate(values) if v == value][1]
                yield (label, second), f"this name is used {n} times", value, None, "give each its own name"

    if cell.outlet not in names:
        yield undefined(("outlet",), cell.outlet)
    for i, station in enumerate(cell.stations):
        for j, name in enumerate(station.feeds_from):
            if name not in names:
                yield undefined(("stations", i, "from", j), name, "the flow names a station that is not defined")
        listed = [s.name for s in cell.sources if s.silence_s]
        for name in station.sources:
            if name not in listed:
                yield (
                    ("stations", i, "sources"),
                    "this source has no silence limit",
                    name,
                    ", ".join(listed) or "none is listed",
                    suggest(name, listed) or f'add  [[sources]]  name = "{name}"  silence_s = 120',
                )
    for i, product in enumerate(cell.products):
        for name in product.cycle_s:
            if name not in names:
                yield undefined(("products", i, "cycle_s", name), name, "a planned cycle names an unknown station")
        if product.set is not None and product.set not in [s.name for s in cell.sets]:
            yield (
                ("products", i, "set"),
                "this set is not defined",
                product.set,
                ", ".join(s.name for s in cell.sets) or "none is defined",
                suggest(product.set, [s.name for s in cell.sets]) or "define it under [[sets]]",
            )
    products = [p.name for p in cell.products]
    for i, kit in enumerate(cell.sets):
        for name in kit.members:
            if name not in products:
                yield (
                    ("sets", i, "members", name),
                    "this member is not a product of the cell",
                    name,
                    ", ".join(products),
                    suggest(name, products) or "define it under [[products]]",
                )
    yield from contradictions(cell)
    yield from wrong_limits(cell)
    for i, cause in enumerate(cell.causes):
        if cause.station is not None and cause.station not in names:
            yield undefined(("causes", i, "station"), cause.station)
    if cell.outlet in names and len(names) > 1 and not cell.station(cell.outlet).feeds_from:
        yield (
            ("outlet",),
            "the outlet has no station before it",
            cell.outlet,
            None,
            f'add  from = ["…"]  to station {cell.outlet}: the flow must lead to the outlet',
        )
    reached, todo = set(), [cell.outlet] if cell.outlet in names else []
    while todo:
        name = todo.pop()
        if name in names and name not in reached:
            reached.add(name)
            todo.extend(cell.station(name).feeds_from)
    if cell.outlet in names:
        for i, name in enumerate(names):
            if name not in reached:
                yield (
                    ("stations", i, "name"),
                    "no way leads from this station to the outlet",
                    name,
                    None,
                    'name it in the "from" of the station that takes its parts',
                )
