"""What must hold for every log: the account closes, and nothing but the log's content decides it."""

from __future__ import annotations

import tempfile
from pathlib import Path
from random import Random

import polars as pl
import pytest
from hypothesis import HealthCheck, Phase, given, seed, settings
from hypothesis import strategies as st

from analytics.account import Account, Window, account
from analytics.cell import CELL
from tests.logs import MemoryPlant, at, book, cell
from tests.strategies import line_logs

# No shrinking: an example takes seconds, and what failed is printed anyway. All tests look at the same examples, whose
# facts are derived once.
SOME = settings(
    max_examples=20, deadline=None, phases=[Phase.explicit, Phase.generate], database=None,
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large],
)  # fmt: skip
LOGS = st.tuples(line_logs(), st.booleans())
ALIKE = seed(20261020)
EDGE = at("06:00:00")  # between two production days
DAY_US = 86_400_000_000
STATIONS: tuple[str | None, ...] = (None, "press", "pack")


Log = tuple[pl.DataFrame, bool]
_OPENED: dict[tuple[str, bool], tuple[MemoryPlant, tempfile.TemporaryDirectory[str]]] = {}


def opened(events: pl.DataFrame, sources: bool) -> MemoryPlant:
    """A plant over some events; one that was asked for before has its facts already."""
    model = cell() if not sources else cell(
        sources=[{"name": "plc", "silence_s": 120}],
        stations=[{"name": "press", "kind": "machine", "sources": ["plc"]},
                  {"name": "pack", "kind": "machine", "from": ["press"], "sources": ["plc"]}],
    )  # fmt: skip
    key = (events.write_csv(), sources)
    if key not in _OPENED:
        folder = tempfile.TemporaryDirectory()
        _OPENED[key] = book(Path(folder.name), events, cell_model=model), folder
    return _OPENED[key][0]


def accounts(log: Log, *windows: Window) -> dict[str | None, list[Account]]:
    """Close the accounts of the cell and its stations."""
    plant = opened(*log)
    return {s: account(plant, "a1", list(windows), station=s) for s in STATIONS}


def told(closed: dict[str | None, list[Account]]) -> str:
    """Everything that an account says, as text that can be compared byte for byte."""
    return "\n".join(
        f"{s} {a.window.key} {a.planned_busy_us} {a.lines.write_json()} {a.figures()} {a.parts.as_dict()}"
        for s, each in closed.items()
        for a in each
    )


BOTH = Window("both", EDGE - DAY_US, EDGE + DAY_US)
FIRST, SECOND = Window("first", EDGE - DAY_US, EDGE), Window("second", EDGE, EDGE + DAY_US)
ODD = Window("odd", EDGE - 100_500_000, EDGE + 123_456_789)


@ALIKE
@given(LOGS)
@SOME
def test_lines_add_up_to_planned_busy_time_exactly(log):
    for each in accounts(log, BOTH, FIRST, SECOND, ODD).values():
        for a in each:
            assert a.difference_us == 0
            assert int(a.lines["us"].sum()) == a.planned_busy_us


@ALIKE
@given(LOGS)
@SOME
def test_parts_are_conserved_in_every_window(log):
    for a in accounts(log, BOTH, FIRST, SECOND, ODD)[None]:
        assert a.parts.difference == 0
        assert all(own.difference == 0 for _, own in a.parts.products)
        assert a.parts.closing_stock >= 0


@ALIKE
@given(LOGS)
@SOME
def test_days_add_up_to_the_week(log):
    closed = accounts(log, BOTH, FIRST, SECOND)
    for each in closed.values():
        both, first, second = each
        for line in set(both.lines["line"]):
            assert both.us(line) == first.us(line) + second.us(line), line
        for name in ("fed", "good", "taken_out", "unaccounted"):
            assert getattr(both.parts, name) == getattr(first.parts, name) + getattr(second.parts, name), name
        if each is closed[None]:
            assert second.parts.opening_stock == first.parts.closing_stock
            assert second.parts.opening_rework == first.parts.rework


@ALIKE
@given(LOGS)
@SOME
def test_order_split_and_repetition_of_the_input_change_nothing(log):
    events, sources = log
    whole = told(accounts(log, BOTH, ODD))
    order = list(range(events.height))
    Random(events.height).shuffle(order)
    shuffled, middle = events[order], events.height // 2
    second = shuffled[middle:].with_columns(file=pl.lit("plc-2.log"), line=pl.col("line") + 100)
    assert told(accounts((pl.concat([shuffled[:middle], second]), sources), BOTH, ODD)) == whole
    again = shuffled.with_columns(file=pl.lit("again.log"))
    assert told(accounts((pl.concat([events, again]), sources), BOTH, ODD)) == whole


@ALIKE
@given(LOGS)
@SOME
def test_every_lane_is_tiled_without_gap_or_overlap(log):
    plant = opened(*log)
    plant.build("a1")
    for table in ("intervals", "ledger", "plan"):
        pieces = plant.fact("a1", table).filter(pl.col("start_us") < pl.col("end_us")).sort("lane", "start_us")
        edges = pieces.group_by("lane").agg(
            length=(pl.col("end_us") - pl.col("start_us")).sum(),
            span=pl.col("end_us").max() - pl.col("start_us").min(),
            touches=(pl.col("start_us") == pl.col("end_us").shift(1)).sum() == pl.len() - 1,
        )
        assert (edges["length"] == edges["span"]).all()
        assert edges["touches"].all()
        assert set(edges["lane"]) >= {"press", "pack"}
    assert CELL in set(plant.fact("a1", "ledger")["lane"])


@ALIKE
@given(LOGS)
@SOME
def test_oee_is_the_same_under_both_conventions(log):
    plant = opened(*log)
    for station in STATIONS:
        (iso,) = account(plant, "a1", ODD, station=station, convention="iso22400")
        (tpm,) = account(plant, "a1", ODD, station=station, convention="tpm")
        assert iso.figures()["oee"]["value"] == tpm.figures()["oee"]["value"]
        for a in (iso, tpm):
            f = {k: v["value"] for k, v in a.figures().items()}
            if f["quality_ratio"] is not None and f["effectiveness"] is not None:
                assert f["availability"] * f["effectiveness"] * f["quality_ratio"] == pytest.approx(f["oee"], abs=1e-9)


def test_the_tests_look_at_the_same_examples():
    """Else each of them derives facts of its own, which takes minutes."""
    assert len(_OPENED) <= 3 * SOME.max_examples
