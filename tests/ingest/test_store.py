"""The store: what is in it, that it changes only as a whole, and that nothing depends on how logs arrived."""

from __future__ import annotations

import errno
import itertools
import json
import os
import re
import subprocess
import sys
from datetime import UTC, date, datetime

import duckdb
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ingest import manifest as manifest_module
from ingest.errors import StoreError
from ingest.events import SCHEMA
from ingest.load import load
from ingest.lock import one_load
from ingest.store import Store
from tests.ingest.plants import SOURCE, all_events, loaded, plant, reasons, write

LOG = """
    2026-10-23 06:00:00 PRS begin P1
    2026-10-23 06:00:09 PRS end P1
"""
DAY = date(2026, 10, 23)


def test_a_missing_store_is_an_empty_one(tmp_path):
    store = Store.open(tmp_path / "store")
    assert (store.cells(), store.days("c1"), store.sources(), store.generation) == ([], [], [], 0)
    assert store.events("c1", [DAY]).schema == SCHEMA
    assert store.quarantine().is_empty()
    assert store.event_files("c1", [DAY]) == []


def test_events_have_exactly_the_columns_of_the_schema(tmp_path):
    _, store = loaded(plant(tmp_path, {"inbox/a.log": LOG}))
    events = store.events("c1", [DAY])
    assert events.schema == SCHEMA
    assert events.height == 3
    assert events["source"].unique().to_list() == ["log"]
    assert events["file"].unique().to_list() == ["inbox/a.log"]


def test_duckdb_reads_the_event_files_as_they_are(tmp_path):
    _, store = loaded(plant(tmp_path, {"inbox/a.log": LOG}))
    files = [str(f) for f in store.event_files("c1", [DAY])]
    rows = duckdb.sql(
        "select kind, station, doubled, line from read_parquet($files) order by line, kind", params={"files": files}
    )
    assert rows.fetchall() == [
        ("cycle_start", "press", False, 1),
        ("cycle_end", "press", False, 2),
        ("part_out", "press", False, 2),
    ]


def test_loading_twice_changes_nothing(tmp_path):
    folder = plant(tmp_path, {"inbox/a.log": LOG})
    load(folder)
    before = {p: p.read_bytes() for p in (folder / "store").rglob("*") if p.is_file()}
    summary = load(folder)
    assert [f.state for f in summary.files] == ["already loaded"]
    assert summary.total("events") == 0
    assert {p: p.read_bytes() for p in (folder / "store").rglob("*") if p.is_file()} == before


def test_the_same_content_under_another_name_is_not_loaded_again(tmp_path):
    folder = plant(tmp_path, {"inbox/a.log": LOG, "inbox/b.log": LOG})
    assert [(f.file, f.state) for f in load(folder).files] == [
        ("inbox/a.log", "loaded"),
        ("inbox/b.log", "already loaded"),
    ]
    (folder / "inbox/a.log").rename(folder / "inbox/c.log")
    assert {f.state for f in load(folder).files} == {"already loaded"}


def test_an_event_lies_on_its_production_day_whenever_it_arrives(tmp_path):
    folder = plant(tmp_path, {"inbox/a.log": "2026-10-24 05:59:59 PRS begin P1\n2026-10-24 06:00:00 PRS begin P2\n"})
    load(folder)
    write(folder / "inbox/late.log", "2026-10-26 05:59:59 PRS begin P4\n2026-10-23 07:00:00 PRS begin P0\n")
    _, store = loaded(folder)
    parts = {day: sorted(store.events("c1", [day])["part"]) for day in store.days("c1")}
    assert parts == {date(2026, 10, 23): ["P0", "P1"], date(2026, 10, 24): ["P2"], date(2026, 10, 25): ["P4"]}


def test_each_run_of_events_in_a_file_is_ordered_by_time(tmp_path):
    """A run is a row group: readers skip by its times."""
    _, store = loaded(
        plant(tmp_path, {"inbox/a.log": "2026-10-23 09:00:00 PRS end P1\n2026-10-23 07:00:00 PRS end P2\n"})
    )
    events = store.events("c1", [DAY])
    assert events["part"].to_list() == ["P2", "P1", "P2", "P1"]


def test_a_corrected_source_file_maps_its_logs_anew(tmp_path):
    folder = plant(tmp_path, {"inbox/a.log": LOG + "    2026-10-23 06:00:10 GAU begin P1\n"})
    _, before = loaded(folder)
    assert len(reasons(before)) == 1
    plant(folder, {}, SOURCE.replace('ROB = "robot"', 'ROB = "robot"\n    GAU = "gauge"'))
    summary, after = loaded(folder)
    assert [f.state for f in summary.files] == ["mapped anew"]
    assert reasons(after) == []
    assert all_events(after).height == 4
    assert before.fingerprint("c1", DAY) != after.fingerprint("c1", DAY)
    assert all_events(before).height == 3, "who opened the store before still reads what it held"


def test_going_back_to_an_earlier_source_file_keeps_its_events(tmp_path):
    folder = plant(tmp_path, {"inbox/a.log": LOG})
    first = all_events(loaded(folder)[1])
    plant(folder, {}, SOURCE.replace('"press"', '"PRESS"'))
    assert set(all_events(loaded(folder)[1])["station"]) == {"PRESS"}
    plant(folder, {}, SOURCE)
    again = all_events(loaded(folder)[1])
    assert again.equals(first)
    assert len(list((folder / "store/events").rglob("*.parquet"))) == 3, "one in use, two retired for an hour"


def test_a_comment_in_the_source_file_is_no_reason_to_map_anew(tmp_path):
    folder = plant(tmp_path, {"inbox/a.log": LOG})
    load(folder)
    plant(folder, {}, "# explained\n" + SOURCE)
    assert [f.state for f in load(folder).files] == ["already loaded"]


def test_a_load_that_fails_half_way_leaves_nothing_to_be_seen(tmp_path, monkeypatch):
    folder = plant(tmp_path, {"inbox/a.log": LOG})
    load(folder)
    before = sorted(p for p in (folder / "store").rglob("*") if p.is_file())
    write(folder / "inbox/b.log", "2026-10-23 08:00:00 PRS begin P9\n")
    full = OSError(errno.ENOSPC, "No space left on device")
    monkeypatch.setattr(manifest_module, "write_whole", lambda *_: (_ for _ in ()).throw(full))
    with pytest.raises(StoreError, match="The disk is full"):
        load(folder)
    monkeypatch.undo()
    assert all_events(Store.open(folder / "store")).height == 3
    assert all_events(loaded(folder)[1]).height == 4
    after = sorted(p for p in (folder / "store").rglob("*") if p.is_file())
    assert len(after) == len(before) + 2, "a part and a change more, no remains"


def test_only_one_load_at_a_time_and_the_other_is_told_whose(tmp_path):
    folder = plant(tmp_path, {"inbox/a.log": LOG})
    with one_load(folder / "store"), pytest.raises(StoreError, match="Another load is at work") as caught:
        load(folder, wait_s=0.1)
    assert f"process {os.getpid()} on " in str(caught.value)
    assert re.search(r"since 2\d{3}-.* \(\d+ s\)", str(caught.value))
    assert load(folder).total("events") == 3


def test_a_lock_whose_owner_was_killed_is_free(tmp_path):
    folder = plant(tmp_path, {"inbox/a.log": LOG})
    code = (
        "import os, pathlib; from ingest.lock import one_load\n"
        f"with one_load(pathlib.Path({str(folder / 'store')!r})): os.kill(os.getpid(), 9)"
    )
    subprocess.run([sys.executable, "-c", code], check=False)
    assert (folder / "store/lock.json").exists()
    assert load(folder, wait_s=0).total("events") == 3


def test_a_store_of_another_version_or_a_broken_one_is_told(tmp_path):
    folder = plant(tmp_path, {"inbox/a.log": LOG})
    load(folder)
    [change] = (folder / "store/log").glob("*.json")
    data = json.loads(change.read_text())
    change.write_text(json.dumps(data | {"version": 99}))
    with pytest.raises(StoreError, match="another version"):
        Store.open(folder / "store")
    change.write_text("{")
    with pytest.raises(StoreError, match="cannot be read"):
        Store.open(folder / "store")
    (folder / "store/manifest-00000001.json").write_text("{}")
    with pytest.raises(StoreError, match="another version"):
        Store.open(folder / "store")


def test_a_part_that_was_lost_is_told(tmp_path):
    _, store = loaded(plant(tmp_path, {"inbox/a.log": LOG}))
    store.event_files("c1", [DAY])[0].unlink()
    with pytest.raises(StoreError, match="load again"):
        store.events("c1", [DAY])


def test_sources_tell_the_counts_of_each_file(tmp_path):
    log = LOG + "    2026-10-23 06:00:10 PRS noise\n    ???\n"
    _, store = loaded(plant(tmp_path, {"inbox/a.log": log}))
    [file] = store.sources()
    assert (file.lines, file.with_events, file.skipped, file.quarantined, file.events) == (4, 2, 1, 1, 3)
    assert store.quarantine().select("source", "file", "line", "text").rows() == [("log", "inbox/a.log", 4, "???")]
    assert store.quarantine()["loaded_at"][0] <= datetime.now(UTC)


def test_progress_is_told_in_bytes_of_the_file(tmp_path):
    told = []
    load(plant(tmp_path, {"inbox/a.log": LOG}), progress=lambda *step: told.append(step))
    assert told[-1] == ("load inbox/a.log", 64, 64)
    assert all(done <= total for _, done, total in told)


# ---- facts

FACTS = {"cycles": pl.DataFrame({"n": [1, 2]}), "stops": pl.DataFrame({"s": ["a"]})}


def test_facts_are_kept_under_a_key_and_replaced_as_a_whole(tmp_path):
    store = Store.open(tmp_path / "store")
    assert store.facts_key("c1", DAY) is None
    assert store.read_facts("c1", [DAY], "cycles") is None
    store.write_facts("c1", DAY, "k1", FACTS)
    store.write_facts("c1", date(2026, 10, 24), "k2", {"cycles": pl.DataFrame({"n": [3]})})
    assert store.facts_key("c1", DAY) == "k1"
    both = store.read_facts("c1", [date(2026, 10, 24), DAY], "cycles")
    assert both is not None
    assert both["n"].to_list() == [1, 2, 3]
    old = store.fact_path("c1", DAY, "cycles")
    store.write_facts("c1", DAY, "k3", {"cycles": pl.DataFrame({"n": [9]})})
    assert old.exists(), "who holds the path of before can still read it"
    assert pl.read_parquet(store.fact_path("c1", DAY, "cycles"))["n"].to_list() == [9]
    with pytest.raises(StoreError, match="not been written"):
        store.fact_path("c1", DAY, "stops")
    store.write_facts("c1", DAY, "k4", FACTS)
    assert not old.exists()


# ---- properties

WORDS = st.sampled_from(
    ["PRS begin P1", "PRS end P1", "ROB end P2", "PRS noise", "GAU end P1", "junk", "", "PRS begin ü"]
)
LINES = st.lists(
    st.tuples(st.datetimes(datetime(2026, 10, 24), datetime(2026, 10, 26)), WORDS).map(
        lambda pair: f"{pair[0]:%Y-%m-%d %H:%M:%S} {pair[1]}" if pair[1] not in ("", "junk") else pair[1]
    ),
    max_size=25,
)


def content(store: Store) -> list[tuple[object, ...]]:
    """Return the events without the names and lines of their files."""
    events = all_events(store)
    return sorted(events.drop("file", "line").rows(), key=repr) if events.height else []


@settings(max_examples=25, deadline=None)
@given(lines=LINES, cuts=st.lists(st.integers(0, 25), max_size=3), ending=st.sampled_from(["\n", "\r\n"]))
def test_a_log_cut_into_files_and_read_twice_equals_the_whole(lines, cuts, ending, tmp_path_factory):
    temp = tmp_path_factory.mktemp("p")
    marks = [0, *sorted(min(c, len(lines)) for c in cuts), len(lines)]
    pieces = [lines[a:b] for a, b in itertools.pairwise(marks)]
    numbered = {
        f"inbox/{n}.log": f"# part {n}{ending}".encode() + "".join(x + ending for x in piece).encode()
        for n, piece in enumerate(pieces)
    }
    source = SOURCE.replace("[read.patterns]", '[read]\n    comment = "#"\n    [read.patterns]')
    whole_summary, whole = loaded(
        plant(temp / "whole", {"inbox/a.log": "".join(x + "\n" for x in lines).encode()}, source)
    )
    folder = plant(temp / "parts", numbered, source)
    parts_summary, parts = loaded(folder)
    assert content(parts) == content(whole)
    assert content(loaded(folder)[1]) == content(whole)
    for summary in (whole_summary, parts_summary):
        for file in summary.loaded:
            assert file.lines == file.with_events + file.skipped + file.quarantined
    assert parts_summary.total("quarantined") == whole_summary.total("quarantined")
