"""How much of a stretch of time lies in each bin, and how a level that goes up and down lies in it. Exact integers."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import numpy.typing as npt
import polars as pl

Ints = npt.NDArray[np.int64]


def time_in_bins(spans: pl.DataFrame, by: Sequence[str], edges: Sequence[int]) -> pl.DataFrame:
    """Sum up the time of spans within bins.

    Takes    spans: the columns `by`, start_us, end_us; those of one group do not overlap. edges: ascending, the
             bins lie between them.
    Returns  one row per group and bin: `by`, start_us, end_us (of the bin), us; in order of group, then time.
    """
    at = np.asarray(edges, dtype=np.int64)
    rows = []
    for key, group in groups(spans, by):
        up_to = covered(group["start_us"].to_numpy(), group["end_us"].to_numpy(), at)
        rows.append(_binned(key, by, at, us=np.diff(up_to)))
    schema = _types(spans, by)
    empty = pl.DataFrame(schema=schema | {"start_us": pl.Int64, "end_us": pl.Int64, "us": pl.Int64})
    return pl.concat([empty, *rows])


def covered(starts: Ints, ends: Ints, at: Ints) -> Ints:
    """How much time of spans that do not overlap lies before each of some instants."""
    order = np.argsort(starts, kind="stable")
    starts, ends = starts[order].astype(np.int64), ends[order].astype(np.int64)
    whole = np.concatenate([[0], np.cumsum(ends - starts)])
    begun = np.searchsorted(starts, at, side="left")
    reaches = np.where(begun > 0, ends[np.maximum(begun - 1, 0)] - at, 0) if len(ends) else np.zeros_like(at)
    result: Ints = whole[begun] - np.maximum(reaches, 0)
    return result


def levels_in_bins(
    stays: pl.DataFrame, by: Sequence[str], edges: Sequence[int], busy: tuple[Ints, Ints], full_n: dict[Any, int | None]
) -> pl.DataFrame:
    """How many stays last at a time: least, mean and greatest number per bin, and the shares of time at 0 and at full.

    Takes    stays: `by`, start_us, end_us (null: not yet, or not any more, within the edges); they may overlap.
             busy: starts and ends of the spans that count; full_n: for the key of a group, the number that is full.
    Returns  one row per group and bin: `by`, start_us, end_us, busy_us, min_n, mean_n, max_n, empty_share, full_share
             (null: no capacity known); figures are null where no time of the bin counts.
    """
    at = np.asarray(edges, dtype=np.int64)
    rows = []
    for key, group in groups(stays, by):
        begins = group["start_us"].fill_null(int(at[0])).to_numpy().clip(at[0], at[-1])
        ends = group["end_us"].fill_null(int(at[-1])).to_numpy().clip(at[0], at[-1])
        times = np.concatenate([begins, ends, at])
        steps = np.concatenate([np.ones(len(begins)), -np.ones(len(ends)), np.zeros(len(at))]).astype(np.int64)
        order = np.argsort(times)
        times, up = times[order], np.cumsum(steps[order])
        last = np.append(times[1:] != times[:-1], True)  # what the level is after all steps of one instant
        level, edge = up[last][:-1], times[last]
        counts = np.diff(covered(*busy, edge))
        bins = np.searchsorted(at, edge[:-1], side="right") - 1
        full = full_n.get(key)
        rows.append(_binned(key, by, at, **_level_figures(level, counts, bins, len(at) - 1, full)))
    schema = _types(stays, by)
    schema |= dict.fromkeys(("start_us", "end_us", "busy_us", "min_n"), pl.Int64)
    schema |= {"mean_n": pl.Float64, "max_n": pl.Int64, "empty_share": pl.Float64, "full_share": pl.Float64}
    return pl.concat([pl.DataFrame(schema=schema), *rows])


def _level_figures(level: Ints, counts: Ints, bins: Ints, n: int, full: int | None) -> dict[str, Any]:
    """Figures per bin of a level that holds for `counts` microseconds each."""
    some = counts > 0
    level, counts, bins = level[some], counts[some], bins[some]
    busy = np.bincount(bins, counts, n)
    least, most = np.full(n, np.iinfo(np.int64).max), np.full(n, -1)
    np.minimum.at(least, bins, level)
    np.maximum.at(most, bins, level)

    def share(weights: npt.NDArray[Any]) -> pl.Series:
        with np.errstate(invalid="ignore", divide="ignore"):
            return pl.Series(np.bincount(bins, weights, n) / busy, dtype=pl.Float64, nan_to_null=True)

    none = busy == 0
    return {
        "busy_us": busy.astype(np.int64),
        "min_n": pl.Series(least).set(pl.Series(none), None),
        "mean_n": share(level * counts),
        "max_n": pl.Series(most).set(pl.Series(none), None),
        "empty_share": share(np.where(level <= 0, counts, 0)),
        "full_share": pl.Series([None] * n, dtype=pl.Float64)
        if full is None
        else share(np.where(level >= full, counts, 0)),
    }


def groups(frame: pl.DataFrame, by: Sequence[str]) -> list[tuple[tuple[Any, ...], pl.DataFrame]]:
    """The groups of a frame in order of their keys."""
    if frame.is_empty():
        return []
    parted = frame.partition_by(by, as_dict=True, maintain_order=True)
    return sorted(parted.items(), key=lambda item: [(value is None, value) for value in item[0]])


def _types(frame: pl.DataFrame, by: Sequence[str]) -> dict[str, Any]:
    """The types of keys; names that came as Categorical or Enum are words again."""
    return {n: pl.String() if isinstance(t := frame.schema[n], pl.Categorical | pl.Enum) else t for n in by}


def instants(*times: Ints) -> Ints:
    """All instants of some arrays once, in order (numpy's `unique` looks them up one by one, which takes longer)."""
    ordered = np.sort(np.concatenate(times))
    result: Ints = ordered[np.append(True, ordered[1:] != ordered[:-1])] if len(ordered) else ordered
    return result


def _binned(key: tuple[Any, ...], by: Sequence[str], at: Ints, **figures: Any) -> pl.DataFrame:
    return pl.DataFrame({"start_us": at[:-1], "end_us": at[1:], **figures}).select(
        *(pl.lit(value).alias(name) for name, value in zip(by, key, strict=True)), pl.all()
    )
