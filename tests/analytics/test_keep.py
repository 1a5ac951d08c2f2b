"""Which days are derived anew when something is loaded."""

import json
from datetime import date

import polars as pl

from tests.logs import book, log

MON, TUE, WED = (date(2026, 10, day) for day in (19, 20, 21))


def work(day, clock="07:00", part="P1"):
    return log(
        f"{clock}:00 press starts {part} product=dish\n{clock}:09 press ends {part}\n{clock}:10 press out {part}",
        day=day.isoformat(), file=f"{day}-{part}.log",
    )  # fmt: skip


THREE_DAYS = pl.concat([work(MON, part="P1"), work(TUE, part="P2"), work(WED, part="P3")])


def test_a_record_far_from_the_neighbours_leaves_them_alone(tmp_path):
    assert book(tmp_path, THREE_DAYS).build("a1") == [MON, TUE, WED]
    late = pl.concat(
        [THREE_DAYS, work(TUE, "19:30", "P9")]
    )  # 13:30 h behind the edge to Monday, 10:30 h before the next
    assert book(tmp_path, late).build("a1") == [TUE, WED]
    assert book(tmp_path, late).build("a1") == []


def test_a_record_near_an_edge_counts_for_both_days(tmp_path):
    book(tmp_path, THREE_DAYS).build("a1")
    assert book(tmp_path, pl.concat([THREE_DAYS, work(TUE, "08:00", "P9")])).build("a1") == [MON, TUE, WED]


def test_a_day_that_was_left_alone_has_the_facts_of_a_fresh_store(tmp_path):
    late = pl.concat([THREE_DAYS, work(TUE, "19:30", "P9")])
    grown, fresh = tmp_path / "grown", tmp_path / "fresh"
    book(grown, THREE_DAYS).build("a1")
    book(grown, late).build("a1")
    book(fresh, late).build("a1")
    for day in (MON, TUE, WED):
        a, b = (folder / "store" / "facts" / "a1" / day.isoformat() for folder in (grown, fresh))
        kept, made = (json.loads((folder / "facts.json").read_text()) for folder in (a, b))
        assert kept["key"] == made["key"]
        assert kept["tables"].keys() == made["tables"].keys()
        for table in kept["tables"]:
            one, other = (pl.read_parquet(f / k["tables"][table]) for f, k in ((a, kept), (b, made)))
            assert one.equals(other), f"{day} {table}"


def test_a_change_of_file_or_line_only_is_a_change(tmp_path):
    book(tmp_path, THREE_DAYS).build("a1")
    moved = THREE_DAYS.with_columns(line=pl.col("line") + 5)
    assert book(tmp_path, moved).build("a1") == [MON, TUE, WED]
