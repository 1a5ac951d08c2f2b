"""Cycles and steps of a cell's days: what is kept, and that names and records come back with them."""

from __future__ import annotations

import shutil

import polars as pl

from analytics.studies.cycle_times.study import cycle_times
from analytics.studies.first import first
from analytics.studies.flow.study import flow
from analytics.studies.gate import gate
from analytics.studies.short_stops.study import short_stops
from analytics.studies.together import together
from analytics.study import facts_of
from analytics.work import Work, cut, read_work, with_records, work_of
from tests import logs

SECOND = 1_000_000


def pressing(cycles_n: int) -> str:
    """A press that takes 10 s for each part, and waits 10 s for the next."""
    lines = []
    for n in range(cycles_n):
        minute, second = divmod(20 * n, 60)
        lines += [
            f"06:{minute:02}:{second:02} press starts P{n} product=dish",
            f"06:{minute:02}:{second + 10:02} press ends P{n} product=dish",
        ]
    return "\n".join(lines)


def worked(folder, text: str) -> Work:
    plant = logs.book(folder, logs.log(text))
    with facts_of(plant, "a1", logs.shift()) as con:
        return work_of(plant, "a1", logs.shift(), con)


def test_work_asked_for_again_is_the_same_until_the_facts_are_others(tmp_path):
    plant = logs.book(tmp_path, logs.log(pressing(10)))
    window = logs.shift()
    with facts_of(plant, "a1", window) as con:
        first, again = work_of(plant, "a1", window, con), work_of(plant, "a1", window, con)
    assert again is first
    (day,) = plant.days("a1")
    plant.store.rekey_facts("a1", day, "another")
    with plant.tables("a1", [day]) as con:
        anew = work_of(plant, "a1", window, con)
    assert anew is not first
    assert anew.cycles.rows() == first.cycles.rows()


def test_facts_that_were_removed_and_derived_again_are_read_from_their_new_files(tmp_path):
    plant = logs.book(tmp_path, logs.log(pressing(4)))
    for _ in range(2):
        with facts_of(plant, "a1", logs.shift()) as con:
            assert con.sql("select count(*) from cycles").fetchall() == [(4,)]
        shutil.rmtree(plant.store.folder / "facts")


def test_who_reads_the_same_facts_at_the_same_time_has_a_connection_of_their_own(tmp_path):
    plant = logs.book(tmp_path, logs.log(pressing(4)))
    with facts_of(plant, "a1", logs.shift()) as one:
        with facts_of(plant, "a1", logs.shift()) as other:
            other.register("asked", pl.DataFrame({"n": [1]}).to_arrow())
        assert one.sql("select count(*) from cycles").fetchall() == [(4,)]
        assert "asked" not in [name for (name,) in one.sql("select view_name from duckdb_views()").fetchall()]


def test_analyses_done_together_are_those_that_each_gives_alone(tmp_path):
    plant = logs.book(tmp_path, logs.log(pressing(40)))
    asked = {"gate": gate, "cycles": cycle_times, "first": first, "flow": flow, "short-stops": short_stops}
    done = together(plant, "a1", logs.shift(), asked)
    assert list(done) == list(asked)
    for name, study in asked.items():
        alone = study(plant, "a1", logs.shift())
        assert done[name].findings == alone.findings
        assert list(done[name].tables) == list(alone.tables)
        assert all(done[name].tables[table].equals(frame) for table, frame in alone.tables.items())


def test_work_of_two_plants_is_not_mixed_up(tmp_path):
    few, many = worked(tmp_path / "few", pressing(5)), worked(tmp_path / "many", pressing(8))
    assert (few.cycles.height, many.cycles.height) == (5, 8)


def test_rows_get_the_log_lines_of_their_own_record(tmp_path):
    plant = logs.book(tmp_path, logs.log(pressing(6)))
    with facts_of(plant, "a1", logs.shift()) as con:
        work = read_work(con)
        (press,) = [lane for lane in work.lanes if lane.name == "press"]
        found = with_records(press.judged[[4, 1]], con)
        kept = con.sql("select start_us, start_line, line from cycles order by start_us").pl()
    assert found["lane"].to_list() == ["press", "press"]
    assert found.select(start_us="began_us", start_line="start_line", line="line").rows() == [
        kept.row(4),
        kept.row(1),
    ]


def test_a_cut_keeps_what_meets_the_condition_and_an_unknown_condition_keeps_nothing():
    rows = pl.DataFrame({"us": [1, 2, None, 4, 5]})
    assert cut(rows, pl.col("us") > 3)["us"].to_list() == [4, 5]
    assert cut(rows, pl.col("us") != 2)["us"].to_list() == [1, 4, 5]
    assert cut(rows, pl.lit(True))["us"].to_list() == [1, 2, None, 4, 5]
    assert cut(rows, pl.col("us") > 9).is_empty()
