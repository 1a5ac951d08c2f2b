"""What the first minutes after a restart cost: time to good parts, time beyond plan, rejects among the first parts."""

from __future__ import annotations

from dataclasses import dataclass
from math import sqrt

import polars as pl

from analytics.busy_clock import BusyClock
from analytics.statistics.order_statistics import quantile
from analytics.studies.output_rate import first_after
from analytics.studies.sentences import interval

FIRST_US = 600_000_000
"""So much planned busy time after a restart is watched."""

BY_KIND = {
    "kind": pl.String, "restarts_n": pl.Int64, "first_good_us": pl.Float64, "first_good_low_us": pl.Float64,
    "first_good_high_us": pl.Float64, "stable_us": pl.Float64, "beyond_us": pl.Float64, "beyond_low_us": pl.Float64,
    "beyond_high_us": pl.Float64, "usual_beyond_us": pl.Float64, "extra_sum_us": pl.Float64, "parts_n": pl.Int64,
    "bad_n": pl.Int64, "bad_share": pl.Float64, "bad_low_share": pl.Float64, "bad_high_share": pl.Float64,
    "usual_share": pl.Float64, "more_share": pl.Float64, "more_low_share": pl.Float64, "more_high_share": pl.Float64,
}  # fmt: skip


def watch(found: pl.DataFrame, rows: pl.DataFrame, takts: pl.DataFrame, clock: BusyClock) -> pl.DataFrame:
    """Watch the output after each restart.

    Takes    found: see find.restarts; rows: good parts, see output_rate.departures; takts: product, takt_us.
    Returns  found with first_good_us, stable_us (planned busy time from the restart to the first good part, to the
             stable rate; null: not before until_us), watched_us (planned busy time, at most FIRST_US, until it next
             stands), good_n and good_us (planned time of the good parts in it), beyond_us (watched less good).
    """
    spots = first_after(found.select("id", "until_us", from_us="at_us"), rows).rename({"first_us": "first_at_us"})
    own = found.join(spots, on="id", how="left", maintain_order="left")
    own = clock.on(own, at="at_us", first="first_at_us", stable="stable_us", until="until_us").with_columns(
        stop=pl.min_horizontal("until", pl.col("at") + FIRST_US)
    )
    made = _planned_us(rows, takts).select("planned_us", "us", "busy_us").sort("us")
    parts = (
        made.join_asof(
            own.select("id", "at_us", "until_us", "stop").sort("at_us"),
            left_on="us", right_on="at_us", strategy="backward", check_sortedness=False,
        )
        .filter((pl.col("busy_us") < pl.col("stop")) & (pl.col("us") < pl.col("until_us")).fill_null(True))
        .group_by("id")
        .agg(good_n=pl.len().cast(pl.Int64), good_us=pl.col("planned_us").sum())
    )  # fmt: skip
    return (
        own.join(parts, on="id", how="left", maintain_order="left")
        .with_columns(pl.col("good_n", "good_us").fill_null(0), watched_us=pl.col("stop") - pl.col("at"))
        .with_columns(
            first_good_us=pl.col("first") - pl.col("at"),
            stable_us=pl.col("stable") - pl.col("at"),
            beyond_us=pl.col("watched_us") - pl.col("good_us"),
        )
        .drop("at", "first", "stable", "until", "stop")
    )


def _planned_us(rows: pl.DataFrame, takts: pl.DataFrame) -> pl.DataFrame:
    """Add planned_us to good parts: the takt; of products unknown to the model, the middle of the known ones."""
    return rows.join(takts, on="product", how="left", maintain_order="left").with_columns(
        planned_us=pl.col("takt_us").fill_null(takts["takt_us"].median()).cast(pl.Int64)
    )


def usual_beyond(
    watched: pl.DataFrame,
    restless: pl.DataFrame,
    rows: pl.DataFrame,
    takts: pl.DataFrame,
    clock: BusyClock,
    span: tuple[int, int],
) -> float | None:
    """The share of planned busy time beyond good parts in calm time: neither standing nor just after a restart.

    Takes    watched: see `watch`; restless: start_us, end_us: when the cell stood or waited; rows: good parts; span:
             start and end of the window. None where no planned busy time is calm.
    """
    after = watched.select("at_us", "watched_us")
    until = clock.until(after["at_us"].to_numpy(), after["watched_us"].to_numpy())
    busy = pl.concat(
        [
            restless.select("start_us", "end_us"),
            pl.DataFrame({"start_us": after["at_us"], "end_us": pl.Series(until, dtype=pl.Int64)}),
        ]
    ).with_columns(pl.col("start_us").clip(*span), pl.col("end_us").clip(*span))
    own = busy.filter(pl.col("start_us") < pl.col("end_us")).sort("start_us", "end_us")
    own = own.with_columns(group=(pl.col("start_us") > pl.col("end_us").cum_max().shift(1)).fill_null(True).cum_sum())
    own = own.group_by("group").agg(pl.col("start_us").min(), pl.col("end_us").max()).sort("start_us")
    disturbed_us = int((clock.at(own["end_us"].to_numpy()) - clock.at(own["start_us"].to_numpy())).sum())
    whole = int(clock.at([span[1]])[0] - clock.at([span[0]])[0])
    made = _planned_us(rows.filter((pl.col("us") >= span[0]) & (pl.col("us") < span[1])), takts).sort("us")
    calm = made.join_asof(own, left_on="us", right_on="start_us", strategy="backward", check_sortedness=False).filter(
        (pl.col("us") >= pl.col("end_us")).fill_null(True)
    )
    left = whole - disturbed_us
    return 1 - int(calm["planned_us"].sum()) / left if left > 0 else None


def first_parts(found: pl.DataFrame, parts: pl.DataFrame, n: int) -> pl.DataFrame:
    """Say of each part whether it was among the first n fed after a restart.

    Takes    found: see find.restarts; parts: part, fed_us, outcome (null: still inside).
    Returns  fed_us, bad (rejected or taken out), kind (of the restart; null: none of the first n), id. Parts whose
             outcome is not known are counted among the n and then left out.
    """
    return (
        parts.sort("fed_us", "part")
        .join_asof(
            found.select("id", "kind", at="at_us").sort("at"),
            left_on="fed_us", right_on="at", strategy="backward", check_sortedness=False,
        )
        .with_columns(first=pl.col("id").is_not_null() & (pl.int_range(pl.len()).over("id") < n))
        .filter(pl.col("outcome").is_not_null())
        .select(
            "fed_us", bad=pl.col("outcome") != "good", kind=pl.when("first").then("kind"),
            id=pl.when("first").then("id"),
        )
    )  # fmt: skip


def difference(bad: int, n: int, other_bad: int, other_n: int) -> tuple[float, float, float] | None:
    """Return the difference of two shares with its interval: Newcombe's hybrid of two Wilson intervals (his method 10).

    Newcombe, Statistics in Medicine 17 (1998) 873-890. None where one of them has no items.
    """
    low, high = interval(bad, n)
    other_low, other_high = interval(other_bad, other_n)
    if low is None or high is None or other_low is None or other_high is None:
        return None
    p, q = bad / n, other_bad / other_n
    return (
        p - q,
        p - q - sqrt((p - low) ** 2 + (other_high - q) ** 2),
        p - q + sqrt((high - p) ** 2 + (q - other_low) ** 2),
    )


@dataclass(frozen=True, slots=True)
class Extra:
    """What all watched minutes lay beyond calm running, in sum; low and high None for a single restart."""

    us: float
    low_us: float | None
    high_us: float | None


def extra(watched: pl.DataFrame, usual_share: float | None, level: float = 0.95) -> Extra | None:
    """Sum up what restarts cost beyond calm running, with Student's interval over the restarts.

    Takes    watched: beyond_us, watched_us; usual_share: see `usual_beyond`. None without restarts or calm running.
    """
    from scipy.special import stdtrit

    if usual_share is None or watched.is_empty():
        return None
    each = watched["beyond_us"].to_numpy() - usual_share * watched["watched_us"].to_numpy()
    n, total = len(each), float(each.sum())
    if n < 2:
        return Extra(total, None, None)
    reach = float(stdtrit(n - 1, (1 + level) / 2) * each.std(ddof=1) * sqrt(n))
    return Extra(total, total - reach, total + reach)


def by_kind(watched: pl.DataFrame, firsts: pl.DataFrame, usual_share: float | None) -> pl.DataFrame:
    """Sum up restarts of one kind (BY_KIND), those that cost most first.

    Takes    watched: see `watch`; firsts: see `first_parts`; usual_share: see `usual_beyond`.
    Medians with distribution-free intervals. extra_sum_us: what the watched minutes of all of them lay beyond what is
    usual. Rejects: of the first parts, against all parts that are not among them.
    """
    usual_bad, usual_n = int(firsts.filter(pl.col("kind").is_null())["bad"].sum()), firsts["kind"].null_count()
    rows = []
    for (kind,), own in watched.partition_by("kind", as_dict=True, maintain_order=True).items():
        first, beyond = quantile(own["first_good_us"].to_numpy()), quantile(own["beyond_us"].to_numpy())
        stable = own["stable_us"].median()
        mine = firsts.filter(pl.col("kind") == kind)
        bad, n = int(mine["bad"].sum()), mine.height
        low, high = interval(bad, n)
        more = difference(bad, n, usual_bad, usual_n)
        usual = None if usual_share is None else usual_share * own["watched_us"]
        rows.append(
            (kind, own.height, first and first.value, first and first.low, first and first.high, stable,
             beyond and beyond.value, beyond and beyond.low, beyond and beyond.high,
             None if usual is None else usual.mean(), None if usual is None else (own["beyond_us"] - usual).sum(),
             n, bad, bad / n if n else None, low, high, usual_bad / usual_n if usual_n else None,
             *(more or (None, None, None)))
        )  # fmt: skip
    return pl.DataFrame(rows, schema=BY_KIND, orient="row").sort(
        "extra_sum_us", "kind", descending=[True, False], nulls_last=True
    )
