"""What is exported can be opened by a general process-mining library, and by our own readers, with nothing lost."""

from __future__ import annotations

import contextlib
import io
import warnings
from functools import cache
from pathlib import Path
from tempfile import mkdtemp
from typing import Any

import polars as pl
import pytest

from analytics.account import Window
from analytics.process_log import process_log
from analytics.process_ocel import ocel
from analytics.process_xes import xes
from analytics.windows import day_window
from app.cli import main
from app.commands.export import log_of
from ingest.load import load
from ingest.store import Store
from tests.ingest.plants import plant as small_plant
from tests.sample import sample_plant

with contextlib.redirect_stdout(io.StringIO()), warnings.catch_warnings():
    warnings.simplefilter("ignore")
    import pm4py  # says hello on the screen

pytestmark = pytest.mark.filterwarnings("ignore:Install the optional:UserWarning")

XES_SOURCE = """
    cell = "c1"
    format = "xes"
    files = ["inbox/*.xes*"]
    [time]
    field = "time_timestamp"
    formats = ["iso8601"]
    [always]
    station = "{org_resource}"
    nest = "{nest}"
    part = "{trace.part}"
    product = "{trace.product}"
    order = "{order}"
    [[rules]]
    when = { concept_name = ["reject", "removed"] }
    emit = [{ kind = "result", result = "{concept_name}", cause = "{cause}" }]
    [[rules]]
    when = { concept_name = "good" }
    emit = [{ kind = "part_out" }]
    [[rules]]
    when = { lifecycle_transition = "start" }
    emit = [{ kind = "cycle_start" }]
    [[rules]]
    when = { lifecycle_transition = "complete" }
    emit = [{ kind = "cycle_end" }]
"""

OCEL_SOURCE = """
    cell = "c1"
    format = "ocel"
    files = ["inbox/*.json*"]
    [time]
    formats = ["iso8601"]
    [always]
    station = "{station.name}"
    nest = "{nest}"
    part = "{part.name}"
    set = "{set.name}"
    carrier = "{carrier.name}"
    order = "{order.name}"
    product = "{product}"
    [[rules]]
    when = { type = "cycle start" }
    emit = [{ kind = "cycle_start" }]
    [[rules]]
    when = { type = "cycle complete" }
    emit = [{ kind = "cycle_end" }]
    [[rules]]
    when = { type = "good" }
    emit = [{ kind = "part_out" }]
    [[rules]]
    when = { type = ["reject", "removed"] }
    emit = [{ kind = "result", result = "{type}", cause = "{cause}" }]
"""


def facts(cell: str) -> tuple[Window, pl.DataFrame, pl.DataFrame]:
    """The second day of the sample: its window, cycles and moves, straight from the facts."""
    plant = sample_plant()
    day = plant.days(cell)[1]
    return day_window(plant, day), plant.fact(cell, "cycles", [day]), plant.fact(cell, "moves", [day])


@cache
def exported(cell: str, form: str) -> Path:
    """The file that the command writes for that day."""
    plant = sample_plant()
    file = Path(mkdtemp(prefix="taktbook-export-")) / f"{cell}.{'xes.gz' if form == 'xes' else 'json'}"
    day = str(plant.days(cell)[1])
    told = io.StringIO()
    with contextlib.redirect_stdout(told):
        code = main(["export", "--plant", str(plant.folder), "--cell", cell, "--day", day, "--as", form,
                     "--out", str(file)])  # fmt: skip
    assert code == 0, told.getvalue()
    assert [p.name for p in file.parent.iterdir()] == [file.name]
    return file


@cache
def as_pm4py(cell: str, form: str) -> Any:
    with contextlib.redirect_stderr(io.StringIO()):  # its progress
        if form == "xes":
            return pl.from_pandas(pm4py.read_xes(str(exported(cell, form))))
        return pm4py.read_ocel2_json(str(exported(cell, form)))


def durations(starts: pl.DataFrame, ends: pl.DataFrame) -> dict[str, int]:
    """Milliseconds of work per station, from starts and ends with station, cycle and ms."""
    pairs = starts.join(ends, on=["station", "cycle"], how="full", suffix="_end")
    assert pairs.null_count().row(0) == (0,) * pairs.width, "each start has its end"
    told = pairs.group_by("station").agg((pl.col("ms_end") - pl.col("ms")).sum())
    return dict(told.iter_rows())


def expected(cell: str) -> dict[str, int]:
    _, cycles, _ = facts(cell)
    ms = [(pl.col(c) // 1000).alias(c) for c in ("start_us", "end_us")]
    told = cycles.with_columns(ms).group_by("station").agg((pl.col("end_us") - pl.col("start_us")).sum())
    return dict(told.iter_rows())


def test_pm4py_reads_the_same_traces_events_and_work_per_station_from_xes():
    """Counts and, to the millisecond, the work of each station on a whole day, against the facts."""
    _, cycles, moves = facts("spoon")
    left = moves.filter(pl.col("move").is_in(["good", "reject", "removed"]))
    log = as_pm4py("spoon", "xes")
    names = {*cycles["part"].to_list(), *left["part"].to_list()}
    assert set(log["case:concept:name"]) == names
    work = log.filter(pl.col("concept:instance").is_not_null()).select(
        "lifecycle:transition", station="org:resource", cycle="concept:instance",
        ms=pl.col("time:timestamp").dt.epoch("ms"),
    )  # fmt: skip
    assert work.height == 2 * cycles.height
    assert log.height == 2 * cycles.height + left.height
    kinds = work.partition_by("lifecycle:transition", as_dict=True, include_key=False)
    assert durations(kinds["start",], kinds["complete",]) == expected("spoon")
    rejects = log.filter(pl.col("concept:name") == "reject").group_by("org:resource", "cause").len()
    facts_ = left.filter(pl.col("move") == "reject").group_by("station", "cause").len()
    assert sorted(rejects.rows(), key=str) == sorted(facts_.rows(), key=str)


def test_pm4py_reads_the_same_objects_events_and_work_per_station_from_ocel():
    _, cycles, moves = facts("timer")
    left = moves.filter(pl.col("move").is_in(["good", "reject", "removed"]))
    log = as_pm4py("timer", "ocel")
    events = pl.from_pandas(log.events)
    assert events.height == 2 * cycles.height + left.height
    objects = pl.from_pandas(log.objects)
    parts = objects.filter(pl.col("ocel:type") == "part")["name"]
    assert set(parts) == {*cycles["part"].to_list(), *left["part"].to_list()}
    assert parts.is_unique().all()
    related = pl.from_pandas(log.relations).filter(pl.col("ocel:type") == "station")
    work = events.filter(pl.col("cycle").is_not_null()).join(related, on="ocel:eid").select(
        "ocel:activity", "cycle", station=pl.col("ocel:oid").str.strip_prefix("station/"),
        ms=pl.col("ocel:timestamp").dt.epoch("ms"),
    )  # fmt: skip
    kinds = work.partition_by("ocel:activity", as_dict=True, include_key=False)
    assert durations(kinds["cycle start",], kinds["cycle complete",]) == expected("timer")


@pytest.mark.parametrize(("cell", "form", "source"), [("spoon", "xes", XES_SOURCE), ("timer", "ocel", OCEL_SOURCE)])
def test_our_own_readers_give_the_same_cycles_again(tmp_path, cell, form, source):
    """Export, read back, and compare each start, end and leaving: time, station, nest and part."""
    _, cycles, moves = facts(cell)
    file = exported(cell, form)
    small_plant(tmp_path, {f"inbox/{file.name}": file.read_bytes()}, source, name="again")
    summary = load(tmp_path)
    assert (summary.total("quarantined"), summary.total("skipped")) == (0, 0)
    store = Store.open(tmp_path / "store")
    events = store.events("c1", store.days("c1")).with_columns(us=pl.col("ts_source").dt.epoch("us"))
    for kind, us in (("cycle_start", "start_us"), ("cycle_end", "end_us")):
        again = events.filter(pl.col("kind") == kind).select("us", "station", "nest", "part")
        told = cycles.select(pl.col(us).alias("us"), "station", "nest", "part")
        assert again.sort(pl.all()).equals(told.sort(pl.all()).select(again.columns).cast(again.schema))
    for move, kind in (("good", "part_out"), ("reject", "result")):
        again = events.filter((pl.col("kind") == kind) & (pl.col("result").fill_null(move) == move))
        told = moves.filter(pl.col("move") == move)
        assert again.select("us", "part").sort(pl.all()).equals(told.select("us", "part").sort(pl.all()))


def test_within_a_trace_time_never_runs_back_and_a_cycle_begins_before_it_ends():
    log = log_of(sample_plant(), "spoon", facts("spoon")[0])
    trace = pl.col("trace")
    assert (
        log.events.select((pl.col("us") < pl.col("us").shift(1)).filter(trace == trace.shift(1)).any()).item() is False
    )
    assert log.events["trace"].rle().struct.field("value").is_unique().all()  # each trace stands together
    row = log.events.with_row_index("row").filter(pl.col("cycle").is_not_null())
    both = row.filter(kind="start").join(row.filter(kind="complete"), on="cycle", suffix="_end")
    assert (both["row"] < both["row_end"]).all()


def test_names_that_mean_something_to_xml_or_json_come_through(tmp_path):
    odd = 'a<b>&"c"\\\té\u0001'
    cycles, moves, parts, orders = (sample_plant().fact("timer", t, [sample_plant().days("timer")[1]])
                                    for t in ("cycles", "moves", "parts", "orders"))  # fmt: skip
    own = cycles.head(1).with_columns(part=pl.lit(odd))
    window = Window("all", own["start_us"][0], own["end_us"][0])
    log = process_log(own, moves.clear(), parts.clear(), orders, window)
    for name, text, source in (
        ("a.xes", "".join(xes(log, "c")), XES_SOURCE.replace("{trace.part}", "{trace.concept_name}")),
        ("a.json", "".join(ocel(log)), OCEL_SOURCE.replace("{part.name}", "{qualifier.part}")),
    ):
        folder = small_plant(tmp_path / name, {f"inbox/{name}": text.encode()}, source, name="again")
        load(folder)
        store = Store.open(folder / "store")
        told = odd.replace("\u0001", "?") if name == "a.xes" else f"part/{odd}"  # XML cannot hold it
        assert store.events("c1", store.days("c1"))["part"].to_list() == [told, told]


def test_work_on_a_part_without_a_name_is_a_trace_of_its_own():
    cycles, moves, parts, orders = (sample_plant().fact("timer", t, [sample_plant().days("timer")[1]])
                                    for t in ("cycles", "moves", "parts", "orders"))  # fmt: skip
    window = facts("timer")[0]
    nameless = cycles.head(5).with_columns(part=pl.lit(None, pl.String))
    log = process_log(nameless, moves.clear(), parts.clear(), orders, window)
    assert (log.traces_n, log.events.height, log.count("complete")) == (5, 10, 5)


def test_a_cycle_belongs_to_the_window_in_which_it_ends():
    plant, (day, cycles, _) = sample_plant(), facts("timer")
    middle = int(cycles["end_us"].median())
    halves = [Window("a", day.from_us, middle), Window("b", middle, day.to_us)]
    assert sum(log_of(plant, "timer", w).count("complete") for w in halves) == cycles.height


def test_a_file_that_cannot_be_written_is_told_and_leaves_nothing(tmp_path, capsys):
    plant = sample_plant()
    day = str(plant.days("timer")[1])
    (tmp_path / "taken.xes").mkdir()
    for name in ("nowhere/a.xes", "taken.xes"):
        args = ["export", "--plant", str(plant.folder), "--cell", "timer", "--day", day, "--out", str(tmp_path / name)]
        assert main(args) == 2
        assert "this file cannot be written" in capsys.readouterr().err
    assert [p.name for p in tmp_path.iterdir()] == ["taken.xes"]


def test_a_period_without_cycles_is_told(capsys, tmp_path):
    plant = sample_plant()
    args = ["export", "--plant", str(plant.folder), "--cell", "timer", "--from", "2026-10-24T02:00",
            "--to", "2026-10-24T02:00:01", "--out", str(tmp_path / "a.xes")]  # fmt: skip
    assert main(args) == 2
    assert "no cycle in this period" in capsys.readouterr().err
