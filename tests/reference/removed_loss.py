"""What a run without one loss gains, held against what the account charged for that loss. No test lives here.

    python -m tests.reference.removed_loss --cell timer --repetitions 16 [--losses "slow hours/dial,set-up time"]

A cell is simulated with a random stream for each draw, and again with one loss left out and all other draws the same.
What comes from outside at hours of the day must not decide the comparison. So both make the same orders, and people
bring the same tray, fill of a bowl or frame as late after it was needed. By the clock, who is a few minutes ahead would
change over before the night or not, or have made his N parts before the trays are gone for half an hour, which is worth
more than most losses; no charge can know of it, and the generator's own gating record is exceeded then, too. Without
slow hours a step takes its planned time: that it usually takes less is no loss.
The gain is how much earlier, in planned busy time, the N-th good part is done, N being the smaller of both counts. A
charge is a ceiling: the mean gain may not exceed the mean charge by more than two standard errors of the difference.
Two books are held to it: the account's chain, and the gating record, which shows what a ceiling can do at best.
"""

from __future__ import annotations

import argparse
from bisect import bisect_left
from collections.abc import Iterable
from dataclasses import dataclass
from functools import cache
from statistics import fmean, stdev

import polars as pl

from analytics.book import Plant
from sample_logs.generator import chances as ch
from sample_logs.generator.calendar import Window
from sample_logs.generator.chances import Loss, Run
from sample_logs.generator.gating import stretches
from sample_logs.generator.make import run
from sample_logs.generator.spoon import SpoonCell
from sample_logs.generator.timer import TimerCell
from sample_logs.generator.truth import busy_spans
from tests.reference.gating_truth import in_spans, same_words, simulated

NUMBER = {"spoon": 0, "timer": 1}
LOSSES: dict[str, tuple[Loss, ...]] = {
    "spoon": (
        *(Loss(ch.BREAKDOWNS, s) for s in ("press", "robA", "robB", "clean")),
        *(Loss(ch.SHORT_ALARM, s) for s in ("press", "robA", "robB", "bowl2")),
        *(Loss(ch.SHORT_SILENT, s) for s in ("press", "robA", "robB")),
        Loss(ch.SLOW, "press"),
        Loss(ch.CARRIER),
        Loss(ch.DRY, "bowl2"),
        Loss(ch.SETUP),
        *(Loss(ch.REJECTS, s) for s in ("cam", "press", "gauge")),
    ),
    "timer": (
        *(Loss(ch.BREAKDOWNS, s) for s in ("spring", "gear", "test")),
        *(Loss(ch.SHORT_ALARM, s) for s in ("frame", "spring", "gear", "dial", "test")),
        *(Loss(ch.SHORT_SILENT, s) for s in ("spring", "dial")),
        *(Loss(ch.SLOW, s) for s in ("dial", "spring")),
        Loss(ch.DRY, "frame"),
        Loss(ch.SETUP),
        *(Loss(ch.REJECTS, s) for s in ("gear", "test")),
    ),
}
LINES = {
    ch.BREAKDOWNS: ("breakdown",),
    ch.SHORT_ALARM: ("micro_stop", "breakdown"),
    ch.SHORT_SILENT: ("micro_stop",),
    ch.SLOW: ("slow_cycle",),
    ch.CARRIER: ("carrier_change",),
    ch.DRY: ("waiting_material",),
    ch.SETUP: ("changeover",),
    ch.REJECTS: ("work",),
}


@cache
def ran(cell: str, days: int, seed: int, loss: Loss | None = None) -> SpoonCell | TimerCell:
    """A run with a random stream for each draw; without a loss, what comes from outside is as in the run with it."""
    if loss is None:
        return run(Window(days), NUMBER[cell], Run(seed, apart=True, watched=True))
    base = ran(cell, days, seed)
    orders = tuple((o.product, o.quantity) for o in base.rec.orders if o.started < base.window.end)
    how = Run(seed, apart=True, without=(loss,), orders=orders, late=base.late.all())
    return run(Window(days), NUMBER[cell], how)


def gain_s(cell: str, days: int, seed: int, loss: Loss) -> float:
    """How many seconds of planned busy time earlier the N-th good part is done without the loss."""
    with_it, without = ran(cell, days, seed), ran(cell, days, seed, loss)
    n = min(len(_good(with_it)), len(_good(without)))
    return (_busy_ms(with_it, _good(with_it)[n - 1]) - _busy_ms(without, _good(without)[n - 1])) / 1000


def _good(cell: SpoonCell | TimerCell) -> list[int]:
    done = sorted(p.done for p in cell.rec.parts if p.outcome == "good" and p.done is not None)
    return done[: bisect_left(done, cell.window.end)]  # for its gating record a run goes on


def _busy_ms(cell: SpoonCell | TimerCell, t: int) -> int:
    return sum(max(0, min(t, b) - a) for shift in cell.shifts for a, b in busy_spans(cell, shift))


def charge_s(book: pl.DataFrame, parts: pl.DataFrame, base: SpoonCell | TimerCell, loss: Loss) -> float:
    """Seconds that a book of the cell's planned busy time (start_us, end_us, station, line, cause) charges to a loss.

    A stop with alarm is a planted breakdown where it overlaps one, else a short stop. A reject is charged the work on
    the part. parts: part, station that rejected it; the book has a column part, too.
    """
    own = book.filter(pl.col("line").is_in(LINES[loss.kind]))
    if loss.kind == ch.REJECTS:
        own = own.join(parts.filter(pl.col("rejected_at") == loss.station), on="part", how="semi")
    elif loss.station:
        own = own.filter(pl.col("station") == loss.station)
    if loss.kind in (ch.SHORT_ALARM, ch.SHORT_SILENT):
        own = own.filter((pl.col("cause") == "no alarm") == (loss.kind == ch.SHORT_SILENT))
    if loss.kind in (ch.BREAKDOWNS, ch.SHORT_ALARM):
        base_ms = base.window.base
        planted = [(base_ms + b.start, base_ms + b.end) for b in base.scenario.breakdowns if b.station == loss.station]
        within = [
            any(a < end // 1000 and start // 1000 < b for a, b in planted)
            for start, end in own.select("start_us", "end_us").rows()
        ]
        own = own.filter(pl.Series(within, dtype=pl.Boolean) == (loss.kind == ch.BREAKDOWNS))
    return float((own["end_us"] - own["start_us"]).sum()) / 1e6


def book_of(plant: Plant, cell: str) -> tuple[pl.DataFrame, pl.DataFrame]:
    """The account's gating chain within planned busy time, and which station rejected which part."""
    plan = plant.fact(cell, "plan").filter((pl.col("lane") == "*") & (pl.col("plan") == "busy"))
    chain = plant.fact(cell, "chain")
    words = pl.concat([same_words(chain), chain.select("part")], how="horizontal")
    rejects = plant.fact(cell, "rejects").select("part", rejected_at="station").unique()
    return in_spans(words, plan.select("start_us", "end_us")), rejects


@cache
def true_book_of(cell: str, days: int, seed: int) -> tuple[pl.DataFrame, pl.DataFrame]:
    """The same of the generator's own gating record: the part is that of the cycle which a stretch lies in."""
    base = ran(cell, days, seed)
    base_ms = base.window.base
    names = ("start_us", "end_us", "station", "line", "cause", "lane", "at")
    types = (pl.Int64, pl.Int64, pl.String, pl.String, pl.String, pl.String, pl.Int64)
    record = pl.DataFrame(
        [
            ((base_ms + g.start) * 1000, (base_ms + g.end) * 1000, g.station, g.line, g.cause, str(g.lane), g.start)
            for g in stretches(base)
        ],
        schema=dict(zip(names, types, strict=True)),
        orient="row",
    )
    cycles = pl.DataFrame(
        [(str(c.lane), c.start, c.part.name if c.part else None) for c in base.rec.cycles],
        schema={"lane": pl.String, "at": pl.Int64, "part": pl.String},
        orient="row",
    ).unique(["lane", "at"], keep="last", maintain_order=True)
    of_parts = record.sort("at").join_asof(cycles.sort("at"), on="at", by="lane", check_sortedness=False)
    words = pl.concat([same_words(of_parts), of_parts.select("part")], how="horizontal")
    busy = [(base_ms + a, base_ms + b) for shift in base.shifts for a, b in busy_spans(base, shift)]
    spans = pl.DataFrame(busy, schema={"start_us": pl.Int64, "end_us": pl.Int64}, orient="row")
    rejected = [(p.name, p.bad_at) for p in base.rec.parts if p.outcome == "reject"]
    rejects = pl.DataFrame(rejected, schema={"part": pl.String, "rejected_at": pl.String}, orient="row")
    return in_spans(words, spans.select(pl.all() * 1000)), rejects


@dataclass(frozen=True)
class Compared:
    """Gain and charge of one loss in each repetition, in seconds; the charge is that of one of the books."""

    loss: Loss
    gains_s: list[float]
    charges_s: list[float]

    @property
    def gain_s(self) -> float:
        """Mean gain."""
        return fmean(self.gains_s)

    @property
    def charge_s(self) -> float:
        """Mean charge."""
        return fmean(self.charges_s)

    @property
    def gain_error_s(self) -> float:
        """Standard error of the mean gain."""
        return _error(self.gains_s)

    @property
    def difference_error_s(self) -> float:
        """Standard error of the mean of gain less charge, taken run by run."""
        return _error([g - c for g, c in zip(self.gains_s, self.charges_s, strict=True)])

    @property
    def is_ceiling(self) -> bool:
        """The charge is not exceeded by more than two standard errors."""
        return self.gain_s <= self.charge_s + 2 * self.difference_error_s


def _error(values: list[float]) -> float:
    return stdev(values) / len(values) ** 0.5 if len(values) > 1 else 0.0


def compare(cell: str, days: int, seeds: Iterable[int], losses: Iterable[Loss]) -> list[tuple[Compared, Compared]]:
    """Simulate, load, charge; simulate again without each loss. Per loss: by the account's chain, by the record."""
    losses = list(losses)
    gains: dict[Loss, list[float]] = {loss: [] for loss in losses}
    charges: dict[Loss, list[float]] = {loss: [] for loss in losses}
    true_charges: dict[Loss, list[float]] = {loss: [] for loss in losses}
    for seed in seeds:
        with simulated(seed, days, [cell], apart=True) as (plant, _):
            book, true_book = book_of(plant, cell), true_book_of(cell, days, seed)
        base = ran(cell, days, seed)
        for loss in losses:
            gains[loss].append(gain_s(cell, days, seed, loss))
            charges[loss].append(charge_s(*book, base, loss))
            true_charges[loss].append(charge_s(*true_book, base, loss))
        ran.cache_clear()
        true_book_of.cache_clear()
    return [(Compared(x, gains[x], charges[x]), Compared(x, gains[x], true_charges[x])) for x in losses]


def main() -> None:
    """Read the arguments, simulate and compare."""
    parser = argparse.ArgumentParser(prog="python -m tests.reference.removed_loss", description=__doc__)
    parser.add_argument("--cell", default="timer", choices=sorted(NUMBER))
    parser.add_argument("--days", type=int, default=1)
    parser.add_argument("--repetitions", type=int, default=16)
    parser.add_argument("--first-seed", type=int, default=101)
    parser.add_argument("--losses", default="", help='only these, e.g. "slow hours/dial,set-up time"')
    args = parser.parse_args()
    wanted = [w.partition("/") for w in args.losses.split(",") if w]
    losses = [Loss(kind, station or None) for kind, _, station in wanted] or LOSSES[args.cell]
    seeds = range(args.first_seed, args.first_seed + args.repetitions)
    print(f"{args.cell}, {args.repetitions} repetitions of {args.days} days; seconds of planned busy time")
    for chain, record in compare(args.cell, args.days, seeds, losses):
        name = f"{chain.loss.kind} {chain.loss.station or ''}"
        said = [
            f"{book} {c.charge_s:>7.1f} (gain - charge {c.gain_s - c.charge_s:>8.1f} +- {c.difference_error_s:>6.1f}) "
            f"{'holds' if c.is_ceiling else 'EXCEEDED'}"
            for book, c in (("chain", chain), ("record", record))
        ]
        print(f"{name:<32} gain {chain.gain_s:>7.1f} +- {chain.gain_error_s:>6.1f}   {'   '.join(said)}", flush=True)


if __name__ == "__main__":
    main()
