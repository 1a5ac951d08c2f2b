"""Claims that sources state themselves: alarms that stop something, states and modes that hold until the next."""

from __future__ import annotations

import polars as pl

from analytics.cell import CELL
from analytics.claims.base import Seen, as_claims

STATE_LINE = {
    "safety": "safety_stop",
    "stopped": "breakdown",
    "setup": "changeover",
    "carrier_change": "carrier_change",
    "waiting_people": "waiting_people",
    "waiting_material": "waiting_material",
    "no_order": "no_order",
    "starved": "starved",
    "blocked": "blocked",
    "running": "run",
    "off": "unexplained",
    "idle": "unexplained",
    "unknown": "unexplained",
}
STATE_CAUSE = {"off": "switched off", "idle": "idle, reason not logged", "unknown": "state unknown to the source"}
MODE_LINE = {"setup": "changeover", "manual": "unexplained", "off": "unexplained"}
MODE_CAUSE = {"setup": "mode setup", "manual": "manual mode", "off": "mode off"}


def alarms(seen: Seen) -> pl.DataFrame:
    """Pair alarms with their ends and look up what they mean.

    Returns claims for every alarm whose catalogue entry stops something. An alarm of a code that the catalogue does not
    know stops its station, too: an unknown stop is better seen than missed. Without an end it holds until the next
    work of the lane, or until it rises again.
    """
    group = ["station", "nest", "code"]
    rows = seen.events.filter(pl.col("kind").is_in(["alarm_on", "alarm_off"])).sort(*group, "no", nulls_last=True)
    if rows.is_empty():
        return as_claims(pl.DataFrame(schema={"lane": pl.String, "start_us": pl.Int64, "end_us": pl.Int64}))
    after = {c: pl.col(c).shift(-1).over(group) for c in ("ts", "kind", "file", "line")}
    rows = (
        rows.with_columns(
            after_ts=after["ts"],
            closes=after["kind"] == "alarm_off",
            log_end_file=after["file"],
            log_end_line=after["line"],
        )
        .filter(pl.col("kind") == "alarm_on")
        .join(seen.cell.catalogue(), on="code", how="left", maintain_order="left")
        .with_columns(pl.col("line_right").fill_null("breakdown").alias("book"))
        .filter(pl.col("book") != "none")
        .with_columns(station=pl.coalesce("station", "blamed"))
        .with_columns(blamed=pl.when(pl.col("station").is_null()).then(pl.lit(CELL)).otherwise("blamed"))
    )
    spread = seen.spread(
        rows.select(
            "station",
            "nest",
            "ts",
            "after_ts",
            "closes",
            "code",
            "book",
            "blamed",
            "file",
            "line",
            "log_end_file",
            "log_end_line",
        )
    ).sort("ts")
    # Without an own end: the next work on the lane excludes it.
    work = seen.work_done.rename({"ts": "work_ts", "file": "work_file", "line": "work_line"})
    spread = spread.join_asof(
        work,
        left_on="ts",
        right_on="work_ts",
        by="lane",
        strategy="forward",
        allow_exact_matches=False,
        check_sortedness=False,
    )
    closed = pl.col("closes").fill_null(False)
    by_work = ~closed & pl.col("work_ts").is_not_null() & (pl.col("work_ts") <= pl.coalesce("after_ts", "work_ts"))
    return as_claims(
        spread.select(
            "lane",
            start_us="ts",
            end_us=pl.when(by_work).then("work_ts").otherwise(pl.coalesce("after_ts", pl.lit(seen.end_us))),
            line="book",
            cause="code",
            blamed="blamed",
            log_file="file",
            log_line="line",
            log_end_file=pl.when(by_work).then("work_file").otherwise("log_end_file"),
            log_end_line=pl.when(by_work).then("work_line").otherwise("log_end_line"),
        )
    )


def states(seen: Seen) -> pl.DataFrame:
    """Let every state hold until the same station's (or cell's) next one, every mode until the next mode."""
    parts = []
    for kind, lines, causes in (("state", STATE_LINE, STATE_CAUSE), ("mode", MODE_LINE, MODE_CAUSE)):
        own = seen.events.filter(pl.col("kind") == kind).sort("station", "nest", "no")
        group = ["station", "nest"]
        parts.append(
            own.with_columns(
                end_us=pl.col("ts").shift(-1).over(group).fill_null(seen.end_us),
                log_end_file=pl.col("file").shift(-1).over(group),
                log_end_line=pl.col("line").shift(-1).over(group),
                blamed=pl.when(pl.col("station").is_null()).then(pl.lit(CELL)),
                book=pl.col("state").replace_strict(lines, default=None, return_dtype=pl.String),
                why=pl.coalesce(
                    "code", "cause", pl.col("state").replace_strict(causes, default=None, return_dtype=pl.String)
                ),
            )
            .filter(pl.col("book").is_not_null())
            .select(
                "station",
                "nest",
                "end_us",
                "blamed",
                "log_end_file",
                "log_end_line",
                start_us="ts",
                line="book",
                cause="why",
                waits_for="at",
                log_file="file",
                log_line="line",
            )
        )
    return as_claims(seen.spread(pl.concat(parts)))
