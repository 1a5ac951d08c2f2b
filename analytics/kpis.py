"""Key figures of ISO 22400-2:2014 from the elements of a closed account; each with the base it stands on."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final, Literal

Convention = Literal["iso22400", "tpm"]
CONVENTIONS: Final[tuple[Convention, ...]] = ("iso22400", "tpm")


@dataclass(frozen=True, slots=True, kw_only=True)
class Elements:
    """Time and quantity elements of ISO 22400-2 clause 5. Times in one unit, here microseconds."""

    pbt: float
    """Planned busy time."""
    adot: float = 0
    """Actual unit down time: no order, or nothing known."""
    adet: float = 0
    """Actual unit delay time: every interrupt while an order is worked."""
    aust: float = 0
    """Actual unit setup time."""
    ideal: float = 0
    """Planned run time per item x produced quantity, summed over products."""
    ideal_good: float = 0
    """Planned run time per item x good quantity."""
    tpm_down: float = 0
    """Time that lowers availability under the convention `tpm`: all stops but the short ones."""
    pq: float = 0
    """Produced quantity."""
    gq: float = 0
    """Good quantity."""
    sq: float = 0
    """Scrap quantity."""
    rq: float = 0
    """Rework quantity."""
    gp: float = 0
    """Good at the first inspection."""
    ip: float = 0
    """Inspected."""
    aoet: float = 0
    """Actual order execution time."""
    calendar: float = 0
    """Length of the window, planned or not."""

    @property
    def aubt(self) -> float:
        """Actual unit busy time."""
        return self.pbt - self.adot

    @property
    def aupt(self) -> float:
        """Actual unit processing time."""
        return self.aubt - self.adet

    @property
    def apt(self) -> float:
        """Actual production time."""
        return self.aupt - self.aust


@dataclass(frozen=True, slots=True)
class Kpi:
    """A key figure: its formula in words of the standard, and how it is computed."""

    name: str
    title: str
    formula: str
    base: str
    top: Callable[[Elements], float]
    bottom: Callable[[Elements], float]
    conventions: tuple[Convention, ...] = CONVENTIONS
    unit: str = "share"

    def value(self, elements: Elements) -> float | None:
        """Return the figure, or None where its base is zero."""
        below = self.bottom(elements)
        return self.top(elements) / below if below else None


_ISO: Final[tuple[Convention, ...]] = ("iso22400",)
_TPM: Final[tuple[Convention, ...]] = ("tpm",)
KPIS: Final[tuple[Kpi, ...]] = (
    Kpi("oee", "OEE", "PRI × GQ / PBT", "PBT", lambda e: e.ideal_good, lambda e: e.pbt),
    Kpi("availability", "availability", "APT / PBT", "PBT", lambda e: e.apt, lambda e: e.pbt, _ISO),
    Kpi("effectiveness", "effectiveness", "PRI × PQ / APT", "APT", lambda e: e.ideal, lambda e: e.apt, _ISO),
    Kpi(
        "availability",
        "availability",
        "(PBT − stops) / PBT",
        "PBT",
        lambda e: e.pbt - e.tpm_down,
        lambda e: e.pbt,
        _TPM,
    ),
    Kpi(
        "effectiveness",
        "performance",
        "PRI × PQ / (PBT − stops)",
        "PBT − stops",
        lambda e: e.ideal,
        lambda e: e.pbt - e.tpm_down,
        _TPM,
    ),
    Kpi("quality_ratio", "quality ratio", "PRI × GQ / PRI × PQ", "PRI × PQ", lambda e: e.ideal_good, lambda e: e.ideal),
    Kpi("quality_ratio_by_count", "quality ratio by count", "GQ / PQ", "PQ", lambda e: e.gq, lambda e: e.pq),
    Kpi(
        "nee",
        "NEE",
        "AUPT / PBT × effectiveness × quality ratio",
        "PBT",
        lambda e: e.aupt * e.ideal_good,
        lambda e: e.pbt * e.apt,
    ),
    Kpi("allocation_efficiency", "allocation efficiency", "AUBT / PBT", "PBT", lambda e: e.aubt, lambda e: e.pbt),
    Kpi("utilization_efficiency", "utilization efficiency", "APT / AUBT", "AUBT", lambda e: e.apt, lambda e: e.aubt),
    Kpi(
        "technical_efficiency",
        "technical efficiency",
        "APT / (APT + ADET)",
        "APT + ADET",
        lambda e: e.apt,
        lambda e: e.apt + e.adet,
    ),
    Kpi("setup_ratio", "setup ratio", "AUST / AUPT", "AUPT", lambda e: e.aust, lambda e: e.aupt),
    Kpi(
        "throughput_rate",
        "throughput rate",
        "PQ / AOET",
        "AOET",
        lambda e: e.pq * 3_600_000_000,
        lambda e: e.aoet,
        unit="parts per hour",
    ),
    Kpi("scrap_ratio", "scrap ratio", "SQ / PQ", "PQ", lambda e: e.sq, lambda e: e.pq),
    Kpi("rework_ratio", "rework ratio", "RQ / PQ", "PQ", lambda e: e.rq, lambda e: e.pq),
    Kpi("teep", "TEEP", "PRI × GQ / calendar time", "calendar time", lambda e: e.ideal_good, lambda e: e.calendar),
    Kpi("first_pass_yield", "first pass yield", "GP / IP", "IP", lambda e: e.gp, lambda e: e.ip),
)
"""All figures. OEE is the same number under both conventions: it does not depend on the split."""


def figures(elements: Elements, convention: Convention) -> list[tuple[Kpi, float | None]]:
    """Return every figure of a convention with its value."""
    return [(kpi, kpi.value(elements)) for kpi in KPIS if convention in kpi.conventions]


def allocation_ratio(units: list[Elements], aoet: float) -> float:
    """Return sum of AUBT over the units / AOET of one order (ISO 22400-2); above 1 when units work at the same time."""
    return sum(e.aubt for e in units) / aoet


def production_process_ratio(units: list[Elements], aoet: float) -> float:
    """Return sum of APT over the units / AOET of one order (ISO 22400-2)."""
    return sum(e.apt for e in units) / aoet


def combined(elements: list[Elements]) -> Elements:
    """Add up the elements of several units or windows; ratios are formed after adding, never averaged."""
    fields = Elements.__dataclass_fields__
    return Elements(**{name: sum(getattr(e, name) for e in elements) for name in fields})
