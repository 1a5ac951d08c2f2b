"""The clocks of a cell over all days that are kept: one row per source and segment."""

from __future__ import annotations

import polars as pl

from analytics.book import Plant

REPORT = {
    "cell": pl.String,
    "source": pl.String,
    "from_us": pl.Int64,
    "until_us": pl.Int64,
    "state": pl.String,
    "why": pl.String,
    "applied": pl.Boolean,
    "offset_s": pl.Float64,
    "drift_ppm": pl.Float64,
    "spread_s": pl.Float64,
    "uncertainty_s": pl.Float64,
    "least_offset_s": pl.Float64,
    "most_offset_s": pl.Float64,
    "pairs_n": pl.Int64,
    "links": pl.String,
    "stepped_s": pl.Float64,
}


def clock_report(plant: Plant, cell: str) -> pl.DataFrame:
    """Tell the clocks of a cell; its facts must be built.

    Returns  REPORT, one row per source and segment, in order. A segment ends where the clock steps or its state
             changes; what is held over a time without pairs belongs to the segment before. offset_s: how far the
             source is ahead of the reference in the middle of the segment; applied: whether it is taken off its times
             (not where the clocks agree as far as anyone can tell). uncertainty_s is that of the pairs; least and most
             offset are what causality alone allows. pairs_n: pairs near the middle, by which it was told there.
    """
    kept = plant.store.read_facts(cell, plant.days(cell), "clocks")
    if kept is None or kept.is_empty():
        return pl.DataFrame(schema=REPORT)
    pieces = kept.unique(["source", "from_us"], keep="last", maintain_order=True).sort("source", "from_us")
    state = pl.when(pl.col("state") == "held").then(pl.lit("aligned")).otherwise("state")
    pieces = pieces.with_columns(shown=state)
    other = (pl.col("shown") != pl.col("shown").shift(1)) | pl.col("why").ne_missing(pl.col("why").shift(1)).and_(
        pl.col("shown") == "unaligned"
    )
    new = (pl.col("step") | other).fill_null(True)
    pieces = pieces.with_columns(segment=new.over("source").cast(pl.Int64).cum_sum().over("source"))
    paired = (pl.col("state") != "held") | (pl.col("state") == "held").all()
    mid = (pl.col("from_us").filter(paired).first() + pl.col("until_us").filter(paired).last()) // 2
    middle = (pl.col("from_us").filter(paired) <= mid).sum() - 1

    def there(name: str) -> pl.Expr:
        return pl.col(name).filter(paired).get(middle)

    rows = pieces.group_by("source", "segment", maintain_order=True).agg(
        pl.col("from_us").first(),
        pl.col("until_us").last(),
        state=pl.col("shown").first(),
        why=pl.col("why").filter(pl.col("state") != "held").first(),
        applied=((pl.col("ahead_us") != 0) | (pl.col("ahead_until_us") != 0)).any(),
        offset_s=(there("raw_us") + there("raw_until_us")) / 2e6,
        drift_ppm=pl.col("drift_ppm").filter(paired).median(),
        spread_s=there("spread_us") / 1e6,
        uncertainty_s=there("sigma_us") / 1e6,
        least_offset_s=there("low_us") / 1e6,
        most_offset_s=there("high_us") / 1e6,
        pairs_n=there("pairs_n"),
        links=there("links"),
        begins=pl.col("raw_us").first(),
        ends=pl.col("raw_until_us").last(),
        steps=pl.col("step").first(),
    )
    jump = (pl.col("begins") - pl.col("ends").shift(1).over("source")) / 1e6
    rows = rows.with_columns(cell=pl.lit(cell), stepped_s=pl.when("steps").then(jump))
    return rows.select(pl.col(name).cast(dtype) for name, dtype in REPORT.items())


def clock_words(report: pl.DataFrame, from_us: int, to_us: int) -> pl.DataFrame:
    """Say in a few words how the clock of each source is in a window.

    Takes    rows of REPORT.
    Returns  source, clock: reference, agrees, 40.2 s ahead or behind, unaligned, pinned or off, with the uncertainty if
             there is any, of the last segment that touches the window; a step within it is told.
    """
    inside = report.filter((pl.col("from_us") < to_us) & (pl.col("until_us") > from_us))
    far = pl.format(
        "{} s {}",
        pl.col("offset_s").abs().round(2),
        pl.when(pl.col("offset_s") > 0).then(pl.lit("ahead")).otherwise(pl.lit("behind")),
    )
    doubt = pl.when(pl.col("uncertainty_s").is_not_null()).then(pl.format(" ± {} s", pl.col("uncertainty_s").round(3)))
    word = (
        pl.when(pl.col("state") != "aligned")
        .then(pl.when(pl.col("state") == "pinned").then(pl.format("pinned, {}", far)).otherwise("state"))
        .otherwise(pl.when("applied").then(far).otherwise(pl.lit("agrees")) + doubt.fill_null(""))
    )
    stepped = pl.col("stepped_s").is_not_null() & (pl.col("from_us") > from_us)
    return (
        inside.sort("from_us", maintain_order=True)
        .group_by("source", maintain_order=True)
        .agg(clock=word.last(), stepped=stepped.any())
        .select("source", clock=pl.col("clock") + pl.when("stepped").then(pl.lit(", stepped")).otherwise(pl.lit("")))
    )
