"""Counts and rates of rejects with intervals, what they cost, and yields."""

from __future__ import annotations

import polars as pl

from analytics.cell import Cell
from analytics.statistics.intervals import wilson
from analytics.statistics.yields import rolled_throughput_yield

COSTS = ["planned_us", "work_us", "sets_n"]


def priced(rejects: pl.DataFrame, passes: pl.DataFrame, cell: Cell) -> pl.DataFrame:
    """Add to each reject what it cost.

    Returns  rejects with planned_us (planned cell cycle of one part: what the account books), work_us (planned station
             times that had been put into it; 0 where its part number is unknown) and sets_n (its share of a set, by
             planned cell cycles; null where the product belongs to none).
    """
    own = rejects.select(pl.col("part").cast(passes.schema["part"])).drop_nulls().unique()
    work = passes.join(own, on="part", how="semi").group_by("part").agg(work_us=pl.col("planned_us").sum())
    work = work.with_columns(pl.col("part").cast(pl.String))
    return (
        rejects.join(cell.takts().rename({"takt_us": "planned_us"}), on="product", how="left", maintain_order="left")
        .join(work, on="part", how="left", maintain_order="left")
        .join(_share_of_a_set(cell), on="product", how="left", maintain_order="left")
        .with_columns(pl.col("work_us").fill_null(0))
    )


def _share_of_a_set(cell: Cell) -> pl.DataFrame:
    takts = {p.name: p.takt_s for p in cell.products}
    whole = {s.name: sum(takts[m] * n for m, n in s.members.items()) for s in cell.sets}
    rows = [(p.name, takts[p.name] / whole[p.set]) for p in cell.products if p.set in whole and whole[p.set] > 0]
    return pl.DataFrame(rows, schema={"product": pl.String, "sets_n": pl.Float64}, orient="row")


def with_rate(frame: pl.DataFrame, hits: str = "rejects_n", items: str = "passed_n") -> pl.DataFrame:
    """Add rate_share and its Wilson interval low_share, high_share; null where fewer items than hits are known."""
    known = pl.col(items) >= pl.max_horizontal(hits, pl.lit(1))
    low, high = wilson(frame[hits].fill_null(0).to_numpy(), frame[items].fill_null(0).to_numpy())
    ends = pl.DataFrame({"low_share": low, "high_share": high})
    rate = pl.col(hits) / pl.col(items)
    return frame.hstack(ends).with_columns(
        rate_share=pl.when(known).then(rate), **{c: pl.when(known).then(c) for c in ends.columns}
    )


def by_station(passes: pl.DataFrame, rejects: pl.DataFrame, rework: pl.DataFrame) -> pl.DataFrame:
    """One row per station that judged parts or let them pass: counts, first-pass share, rate, cost.

    first_pass_share: of the parts that passed, those that it neither rejected nor sent into rework.
    """
    passed = _passed(passes, "station")
    sent = rework.unique(["station", "part", "us"]).group_by("station").agg(rework_n=pl.len().cast(pl.Int64))
    own = _booked(rejects, ["station"])
    joined = passed.join(own, on="station", how="full", coalesce=True).join(
        sent, on="station", how="full", coalesce=True
    )
    counted = joined.with_columns(pl.col("passed_n", "rejects_n", "start_up_n", "rework_n").fill_null(0))
    wrong = pl.col("rejects_n") + pl.col("rework_n")
    first = pl.when(pl.col("passed_n") >= pl.max_horizontal(wrong, pl.lit(1))).then(1 - wrong / pl.col("passed_n"))
    return (
        with_rate(counted.with_columns(first_pass_share=first))
        .filter((pl.col("rejects_n") + pl.col("rework_n") > 0) | (pl.col("passed_n") > 0))
        .sort("rejects_n", "station", descending=[True, False], nulls_last=True)
        .select("station", "passed_n", "rejects_n", "start_up_n", "rework_n", *RATE, "first_pass_share", *COSTS)
    )


RATE = ["rate_share", "low_share", "high_share"]


def _passed(passes: pl.DataFrame, *key: str) -> pl.DataFrame:
    return passes.group_by(key).agg(passed_n=pl.len().cast(pl.Int64)).with_columns(pl.col(key).cast(pl.String))


def by_cause(passes: pl.DataFrame, rejects: pl.DataFrame, cell: Cell) -> pl.DataFrame:
    """One row per station and cause; the rate is that of the parts that passed the station."""
    passed = _passed(passes, "station")
    texts = cell.catalogue().select(cause="code", text="cause_text")
    return (
        with_rate(
            _booked(rejects, ["station", "cause"])
            .join(passed, on="station", how="left")
            .with_columns(pl.col("passed_n").fill_null(0))
            .join(texts, on="cause", how="left")
        )
        .sort("rejects_n", "station", "cause", descending=[True, False, False], nulls_last=True)
        .select("station", "cause", "text", "rejects_n", "start_up_n", "passed_n", *RATE, *COSTS)
    )


def by_nest(passes: pl.DataFrame) -> pl.DataFrame:
    """One row per nest of a station with several, of parts rejected at this station after this nest."""
    counted = (
        passes.filter(pl.col("nest").is_not_null())
        .group_by("station", "nest")
        .agg(passed_n=pl.len().cast(pl.Int64), rejects_n=pl.col("rejected").sum().cast(pl.Int64))
        .with_columns(pl.col("station", "nest").cast(pl.String))
    )
    return with_rate(counted).sort("station", "nest").select("station", "nest", "passed_n", "rejects_n", *RATE)


def by_gripper(handled: pl.DataFrame, rejects: pl.DataFrame, goods: pl.DataFrame) -> pl.DataFrame:
    """One row per nest of a robot (gripper): of the parts it handled and that are done, those rejected afterwards."""
    done = pl.concat(
        [
            rejects.select("part", "us", bad=pl.lit(True)),
            goods.select("part", "us", bad=pl.lit(False)),
        ]
    ).filter(pl.col("part").is_not_null())
    after = handled.join(done, on="part").filter(pl.col("us") >= pl.col("end_us") - 5_000_000)
    counted = after.group_by("station", "nest").agg(
        passed_n=pl.len().cast(pl.Int64), rejects_n=pl.col("bad").sum().cast(pl.Int64)
    )
    return with_rate(counted).sort("station", "nest").select("station", "nest", "passed_n", "rejects_n", *RATE)


def by_product(goods: pl.DataFrame, rejects: pl.DataFrame) -> pl.DataFrame:
    """One row per product; the rate is that of the parts that were good or rejected. Unknown products are one row."""
    good = goods.group_by("product").agg(good_n=pl.len().cast(pl.Int64))
    counted = (
        good.join(_booked(rejects, ["product"]), on="product", how="full", coalesce=True, nulls_equal=True)
        .with_columns(pl.col("good_n", "rejects_n", "start_up_n").fill_null(0))
        .with_columns(passed_n=pl.col("good_n") + pl.col("rejects_n"))
    )
    return (
        with_rate(counted)
        .sort("rejects_n", "product", descending=[True, False], nulls_last=True)
        .select("product", "passed_n", "rejects_n", "start_up_n", *RATE, *COSTS)
    )


def by_place(carried: pl.DataFrame) -> pl.DataFrame:
    """One row per place of the carriers (what a set's name adds to its carrier's; null: the carrier as a whole)."""
    place = (
        pl.when(pl.col("set_place").str.starts_with(pl.col("carrier")))
        .then(pl.col("set_place").str.strip_prefix(pl.col("carrier")).str.strip_chars("/-_: "))
        .replace("", None)
    )
    counted = (
        carried.with_columns(place=place)
        .group_by("place")
        .agg(passed_n=pl.len().cast(pl.Int64), rejects_n=(pl.col("outcome") == "reject").sum().cast(pl.Int64))
    )
    return (
        with_rate(counted)
        .sort("rejects_n", "place", descending=[True, False], nulls_last=True)
        .select("place", "passed_n", "rejects_n", *RATE)
    )


def rolled(stations: pl.DataFrame) -> float:
    """Return the rolled throughput yield: the product of the first-pass shares of the stations (1 without any)."""
    return rolled_throughput_yield(stations.sort("station")["first_pass_share"].drop_nulls().to_list())


def _booked(rejects: pl.DataFrame, keys: list[str]) -> pl.DataFrame:
    return rejects.group_by(keys).agg(
        rejects_n=pl.len().cast(pl.Int64),
        start_up_n=pl.col("start_up").sum().cast(pl.Int64),
        planned_us=pl.col("planned_us").sum(),
        work_us=pl.col("work_us").sum(),
        sets_n=pl.when(pl.col("sets_n").count() > 0).then(pl.col("sets_n").sum().round(6)),
    )
