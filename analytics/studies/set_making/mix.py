"""Yield of sets against the yields of their members, and the mix of feeds that would have matched."""

from __future__ import annotations

from math import prod

import polars as pl

from analytics.studies.sentences import interval

MEMBERS = {
    "kit": pl.String, "member": pl.String, "need_n": pl.Int64, "fed_n": pl.Int64, "good_n": pl.Int64,
    "rejected_n": pl.Int64, "yield_share": pl.Float64, "yield_low_share": pl.Float64, "yield_high_share": pl.Float64,
    "complete_sets_n": pl.Int64, "fed_per_set": pl.Float64, "needed_per_set": pl.Float64, "needed_low": pl.Float64,
    "needed_high": pl.Float64, "beyond_n": pl.Float64, "verdict": pl.String,
}  # fmt: skip
KITS = {
    "kit": pl.String, "complete_sets_n": pl.Int64, "members_yield_share": pl.Float64, "tries_n": pl.Int64,
    "whole_tries_n": pl.Int64, "tries_share": pl.Float64, "tries_low_share": pl.Float64,
    "tries_high_share": pl.Float64, "rejected_n": pl.Int64, "rejects_worth_sets": pl.Float64,
    "rejects_us": pl.Int64, "sets_without_rejects_n": pl.Int64,
}  # fmt: skip


def feed_mix(left: pl.DataFrame, need: pl.DataFrame, complete: dict[str, int]) -> pl.DataFrame:
    """Hold what was fed of each member against what its sets needed.

    Takes    left: product, fed_n, good_n, bad_n; need: kit, member, need; complete: sets completed per kit.
    Returns  one row per member of each kit that was fed or left (MEMBERS): its yield (good of those that left, Wilson
             interval), feeds per complete set, and those needed: need / yield with the yield's interval. beyond_n is
             fed less needed for these sets. `verdict`: "matched" within the interval, else "too many" or "too few".
    """
    rows = []
    own = need.join(left, left_on="member", right_on="product", how="inner").sort("kit", "member")
    for row in own.iter_rows(named=True):
        gone, sets, n = row["good_n"] + row["bad_n"], complete.get(row["kit"], 0), row["need"]
        low, high = interval(row["good_n"], gone)
        share = row["good_n"] / gone if gone else None
        fed_per_set = row["fed_n"] / sets if sets else None
        needed, needed_low, needed_high = (n / s if s else None for s in (share, high, low))
        rows.append(
            (row["kit"], row["member"], n, row["fed_n"], row["good_n"], row["bad_n"], share, low, high, sets,
             fed_per_set, needed, needed_low, needed_high,
             row["fed_n"] - sets * needed if needed and sets else None,
             _verdict(fed_per_set, needed_low, needed_high))
        )  # fmt: skip
    return pl.DataFrame(rows, schema=MEMBERS, orient="row")


def _verdict(fed: float | None, low: float | None, high: float | None) -> str | None:
    if fed is None or low is None or high is None:
        return None
    return "too many" if fed > high else "too few" if fed < low else "matched"


def set_yields(mix: pl.DataFrame, tries: pl.DataFrame, takts: pl.DataFrame) -> pl.DataFrame:
    """Hold the yield of sets against the product of their members' yields.

    Takes    mix: see `feed_mix`; tries: see `first_tries`; takts: product, takt_us.
    Returns  one row per kit (KITS): members_yield_share is the product of the members' yields, which is the yield of
             sets if rejects of the members are independent; tries_share the observed one: of so many nominal sets,
             every member was good (Wilson interval). rejects_worth_sets: planned time of the rejected members in
             planned times of whole sets. sets_without_rejects_n: sets that all members that left would have given.
    """
    planned = dict(takts.rows())
    tried = {kit: (n, whole) for kit, n, whole in tries.select("kit", "tries_n", "whole_n").rows()}
    rows = []
    for (kit,), own in mix.partition_by("kit", as_dict=True, maintain_order=True).items():
        members = list(own.iter_rows(named=True))
        n, whole = tried.get(str(kit), (0, 0))
        low, high = interval(whole, n)
        known = all(m["yield_share"] is not None for m in members)
        lost_us = sum(m["rejected_n"] * planned.get(m["member"], 0) for m in members)
        set_us = sum(m["need_n"] * planned.get(m["member"], 0) for m in members)
        rows.append(
            (kit, members[0]["complete_sets_n"],
             prod(m["yield_share"] ** m["need_n"] for m in members) if known else None,
             n, whole, whole / n if n else None, low, high, sum(m["rejected_n"] for m in members),
             lost_us / set_us if set_us else None, lost_us,
             min((m["good_n"] + m["rejected_n"]) // m["need_n"] for m in members))
        )  # fmt: skip
    return pl.DataFrame(rows, schema=KITS, orient="row")


def first_tries(parts: pl.DataFrame, need: pl.DataFrame) -> pl.DataFrame:
    """Pair the k-th fed of each member into nominal sets and see of which every member was good.

    Takes    parts: part, product, fed_us, outcome (of parts that left); need: kit, member, need.
    Returns  one row per kit: kit, tries_n (nominal sets of which every member left), whole_n (all of them good).
    """
    own = (
        parts.join(need, left_on="product", right_on="member", how="inner")
        .sort("fed_us", "part")
        .with_columns(nominal=pl.int_range(pl.len()).over("kit", "product") // pl.col("need"))
    )
    size = need.group_by("kit").agg(size=pl.col("need").sum())
    return (
        own.group_by("kit", "nominal")
        .agg(n=pl.len(), good=(pl.col("outcome") == "good").all())
        .join(size, on="kit")
        .filter(pl.col("n") == pl.col("size"))
        .group_by("kit")
        .agg(tries_n=pl.len().cast(pl.Int64), whole_n=pl.col("good").sum().cast(pl.Int64))
        .sort("kit")
    )
