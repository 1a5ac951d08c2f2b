"""Claims on a lane's time, in order of precedence: the first that applies has the instant.

A new loss is a function that returns claims and one row in `all_claims`.
"""

from __future__ import annotations

import polars as pl

from analytics.claims import gaps, held, silence, work
from analytics.claims.base import CLAIM_SCHEMA, Seen, as_claims

__all__ = ["CLAIM_SCHEMA", "OWN_STOP", "Seen", "all_claims", "as_claims"]

OWN_STOP = 2
"""Level of a station's own stops, whose length decides between micro-stop and breakdown."""


def all_claims(seen: Seen) -> pl.DataFrame:
    """Collect every claim with its level (0 wins): CLAIM_SCHEMA and level."""
    stated = pl.concat([held.alarms(seen), held.states(seen)])

    def on(*lines: str) -> pl.DataFrame:
        return stated.filter(pl.col("line").is_in(lines))

    waits = on("starved", "blocked")
    no_order, changeover = gaps.order_gap(seen), gaps.changeover_gap(seen)
    precedence = (
        silence.no_data(seen),
        on("safety_stop"),
        on("breakdown"),
        on("changeover"),
        on("carrier_change"),
        on("waiting_people"),
        on("waiting_material"),
        on("no_order"),
        gaps.met(waits, no_order),
        gaps.met(waits, changeover),
        waits,
        work.in_cycle(seen),
        work.running(seen, stated),
        on("unexplained"),
        no_order,
        changeover,
        gaps.lost_ends(seen),
        gaps.holding(seen),
        gaps.lost_starts(seen),
        gaps.empty(seen),
    )
    return pl.concat([claims.with_columns(level=pl.lit(level, pl.Int64)) for level, claims in enumerate(precedence)])
