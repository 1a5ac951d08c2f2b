"""The parts account: fed + opening stock = good + rejects + rework + taken out + closing stock + unaccounted."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Any

import polars as pl


@dataclass(frozen=True)
class PartsAccount:
    """Parts of one window, all products together; `products` has the same per product."""

    fed: int = 0
    opening_stock: int = 0
    opening_rework: int = 0
    good: int = 0
    rejects: dict[str, int] = field(default_factory=dict)
    rework: int = 0
    taken_out: int = 0
    closing_stock: int = 0
    unaccounted: int = 0
    """Lost less found: parts that vanished less parts that appeared behind the entry."""
    products: list[tuple[str | None, PartsAccount]] = field(default_factory=list)
    sets: list[dict[str, Any]] = field(default_factory=list)
    """Per kind of set: set, complete, open (begun and not complete), open_members (parts in those)."""

    @property
    def difference(self) -> int:
        """Left side less right side: zero, or the account is broken."""
        came = self.fed + self.opening_stock + self.opening_rework
        went = self.good + sum(self.rejects.values()) + self.rework + self.taken_out + self.closing_stock
        return came - went - self.unaccounted

    def as_dict(self) -> dict[str, Any]:
        """Return the account for JSON."""
        own = {
            "fed": self.fed,
            "good": self.good,
            "rejects": self.rejects,
            "rework": self.rework,
            "taken_out": self.taken_out,
            "stock": {
                "opening": self.opening_stock,
                "opening_rework": self.opening_rework,
                "closing": self.closing_stock,
            },
            "unaccounted": self.unaccounted,
        }
        if self.sets:
            own["sets"] = self.sets
        if self.products:
            own["products"] = [{"product": name, **account.as_dict()} for name, account in self.products]
        return own


def cell_parts(moved: pl.DataFrame, made: pl.DataFrame) -> PartsAccount:
    """Close the parts account of a cell: moves (sql/parts_account.sql) and sets (sql/sets_made.sql) of one key."""
    names = moved["product"].unique().sort(nulls_last=True).to_list()
    each = [(name, _close(moved.filter(pl.col("product").eq_missing(pl.lit(name))))) for name in names]
    there = [(name, account) for name, account in each if account != PartsAccount()]
    sets = [
        {"set": name, "complete": complete, "open": unfinished, "open_members": members}
        for name, complete, unfinished, members in made.select(
            "product", "complete_n", "open_n", "open_members_n"
        ).rows()
    ]
    return replace(_close(moved, there if len(there) > 1 else []), sets=sets)


def _close(moved: pl.DataFrame, products: list[tuple[str | None, PartsAccount]] | None = None) -> PartsAccount:
    within = dict(moved.group_by("move").agg(pl.col("within_n").sum()).rows())
    before = dict(moved.group_by("move").agg(pl.col("before_n").sum()).rows())

    def inside(n: dict[str, int]) -> int:
        came = n.get("stock", 0) + n.get("fed", 0) + n.get("found", 0)
        return came - sum(n.get(m, 0) for m in ("good", "reject", "removed", "lost"))

    def in_rework(n: dict[str, int]) -> int:
        return n.get("rework_stock", 0) + n.get("rework_open", 0) - n.get("rework_done", 0)

    rejects = (
        moved.filter((pl.col("move") == "reject") & (pl.col("within_n") > 0))
        .group_by(pl.col("cause").fill_null("cause not logged"))
        .agg(pl.col("within_n").sum())
        .sort("within_n", "cause", descending=[True, False])
    )
    opening_rework = in_rework(before)
    rework = opening_rework + in_rework(within)
    return PartsAccount(
        fed=within.get("fed", 0),
        opening_stock=inside(before) - opening_rework,
        opening_rework=opening_rework,
        good=within.get("good", 0),
        rejects=dict(rejects.rows()),
        rework=rework,
        taken_out=within.get("removed", 0),
        closing_stock=inside(before) + inside(within) - rework,
        unaccounted=within.get("lost", 0) - within.get("found", 0),
        products=products or [],
    )


def station_parts(cycles: pl.DataFrame) -> PartsAccount:
    """Count the cycles that a station finished in planned busy time, by what became of their parts.

    Takes    rows of sql/station_cycles.sql of one key. `fed` are cycles; rejects are named by the cause that was
             found, at this
             station or a later one; `closing_stock` are those whose part is still inside the cell.
    """

    def n(rows: pl.DataFrame) -> int:
        return int(rows["cycles_n"].sum())

    outcome, again = pl.col("outcome"), pl.col("rework")
    rejects = cycles.filter(outcome == "reject").group_by("cause").agg(pl.col("cycles_n").sum()).sort("cause")
    return PartsAccount(
        fed=n(cycles),
        good=n(cycles.filter((outcome == "good") & ~again)),
        rejects=dict(rejects.rows()),
        rework=n(cycles.filter((outcome == "good") & again)),
        taken_out=n(cycles.filter(outcome == "removed")),
        closing_stock=n(cycles.filter(outcome == "inside")),
    )
