"""Logs that grow, turn over, are compressed, vanish, come back: the store holds what one load would have given."""

from __future__ import annotations

import gzip
import os
import shutil
from datetime import datetime, timedelta
from pathlib import Path

import polars as pl
import pytest
import zstandard
from hypothesis import given, settings
from hypothesis import strategies as st

from ingest import commit, compact, manifest
from ingest.content import PIECE
from ingest.events import empty
from ingest.excerpt import excerpt
from ingest.load import load
from ingest.mapping import Mapping
from ingest.raw import RawFile
from ingest.store import Store
from tests.ingest.plants import SOURCE, all_events, plant, write


def lines(first: int, last: int) -> bytes:
    """Log lines number first to last - 1, one a second."""
    start = datetime(2026, 10, 23, 6)
    return b"".join(
        f"{start + timedelta(seconds=n)} PRS {'begin' if n % 2 else 'end'} P{n}\n".encode() for n in range(first, last)
    )


def grow(path: Path, more: bytes) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    with path.open("ab") as file:
        file.write(more)


def states(folder: Path, **options: float) -> list[tuple[str, str, int]]:
    """Load, and return what became of the files: name, state, lines brought in."""
    return [(f.file.removeprefix("inbox/"), f.state, f.counts["lines"]) for f in load(folder, **options).files]  # type: ignore[arg-type]


def told(folder: Path) -> pl.DataFrame:
    """Return all events without the names of their files."""
    events = all_events(Store.open(folder / "store"))
    return events.drop("file").sort(pl.all()) if events.height else empty().drop("file")


def whole(folder: Path, content: bytes) -> pl.DataFrame:
    """Return what one load of the content gives."""
    load(plant(folder, {"inbox/whole.log": content}))
    return told(folder)


def test_a_log_that_grew_is_read_on_from_its_last_complete_line(tmp_path):
    folder = plant(tmp_path / "p", {"inbox/a.log": lines(0, 10)})
    assert states(folder) == [("a.log", "loaded", 10)]
    grow(folder / "inbox/a.log", lines(10, 25))
    assert states(folder) == [("a.log", "grew", 15)]
    assert states(folder) == [("a.log", "already loaded", 0)]
    [record] = Store.open(folder / "store").sources()
    assert (record.lines, record.with_events, record.events) == (25, 25, 38)
    assert told(folder).equals(whole(tmp_path / "w", lines(0, 25)))
    assert sorted(told(folder)["line"].unique()) == list(range(1, 26))


def test_only_the_new_lines_are_read(tmp_path, monkeypatch):
    folder = plant(tmp_path, {"inbox/a.log": lines(0, 20_000)})
    load(folder)
    grow(folder / "inbox/a.log", lines(20_000, 20_005))
    read = []
    before = RawFile.blocks
    monkeypatch.setattr(RawFile, "blocks", lambda self: (read.append((b.first, b.lines)) or b for b in before(self)))
    assert states(folder) == [("a.log", "grew", 5)]
    assert (20_001, 5) in read
    assert sum(n for _, n in read) < 3_000, "the first lines once more for the header, and the new ones"


def test_a_line_without_an_end_counts_and_is_read_again_when_it_has_one(tmp_path):
    folder = plant(tmp_path / "p", {"inbox/a.log": lines(0, 4) + b"2026-10-23 06:00:04 PRS end P"})
    load(folder)
    assert told(folder)["part"].to_list()[-1] != "P44"
    assert Store.open(folder / "store").sources()[0].lines == 5
    grow(folder / "inbox/a.log", b"44\n")
    assert states(folder) == [("a.log", "grew", 0)]
    assert told(folder).equals(whole(tmp_path / "w", lines(0, 4) + b"2026-10-23 06:00:04 PRS end P44\n"))


def test_a_line_without_an_end_that_nobody_understands_leaves_the_quarantine_when_it_has_one(tmp_path):
    folder = plant(tmp_path, {"inbox/a.log": lines(0, 4) + b"2026-10-23 06:00:0"})
    load(folder)
    store = Store.open(folder / "store")
    assert store.quarantine()["line"].to_list() == [5]
    assert store.sources()[0].quarantined == 1
    grow(folder / "inbox/a.log", b"4 PRS end P4\n")
    load(folder)
    store = Store.open(folder / "store")
    assert store.quarantine().is_empty()
    assert (store.sources()[0].lines, store.sources()[0].quarantined) == (5, 0)


def test_a_line_without_an_end_of_a_file_at_work_is_left_for_later(tmp_path):
    folder = plant(tmp_path, {"inbox/a.log": lines(0, 4) + b"2026-10-23 06:00:0"})
    assert states(folder, settle_s=60) == [("a.log", "loaded", 4)]
    assert states(folder, settle_s=60) == [("a.log", "already loaded", 0)]
    grow(folder / "inbox/a.log", b"4 PRS end P4\n2026")
    assert states(folder, settle_s=60) == [("a.log", "grew", 1)]
    assert Store.open(folder / "store").quarantine().is_empty()
    assert states(folder, settle_s=0) == [("a.log", "grew", 1)]
    assert Store.open(folder / "store").quarantine()["text"].to_list() == ["2026"]


def test_a_log_that_turns_over_is_known_under_its_new_names(tmp_path):
    """plc.log -> plc.log.1 -> plc.log.2.gz, with lines written between the last look and the turn."""
    folder = plant(tmp_path / "p", {"inbox/plc.log": lines(0, 50)})
    load(folder)
    grow(folder / "inbox/plc.log", lines(50, 60))
    (folder / "inbox/plc.log").rename(folder / "inbox/plc.log.1")
    write(folder / "inbox/plc.log", lines(60, 65))
    assert states(folder) == [("plc.log", "loaded", 5), ("plc.log.1", "grew", 10)]
    (folder / "inbox/plc.log.2.gz").write_bytes(gzip.compress((folder / "inbox/plc.log.1").read_bytes()))
    (folder / "inbox/plc.log").replace(folder / "inbox/plc.log.1")
    write(folder / "inbox/plc.log", lines(65, 70))
    assert states(folder) == [
        ("plc.log", "loaded", 5),
        ("plc.log.1", "already loaded", 0),
        ("plc.log.2.gz", "already loaded", 0),
    ]
    store = Store.open(folder / "store")
    names = {record.file: record.lines for record in store.sources()}
    assert names == {"inbox/plc.log": 60, "inbox/plc.log~2": 5, "inbox/plc.log~3": 5}
    assert store.path_of("inbox/plc.log") == "inbox/plc.log.2.gz"
    assert store.path_of("inbox/plc.log~3") == "inbox/plc.log"
    assert told(folder).drop("line").equals(whole(tmp_path / "w", lines(0, 70)).drop("line"))


def test_a_line_of_a_log_that_was_renamed_is_shown_from_where_it_is_now(tmp_path):
    folder = plant(tmp_path, {"inbox/plc.log": lines(0, 9)})
    load(folder)
    (folder / "inbox/plc.log").rename(folder / "inbox/plc.log.1")
    write(folder / "inbox/plc.log", lines(9, 20))
    load(folder)
    assert excerpt(folder, "inbox/plc.log", 3, 0)["text"].to_list() == ["2026-10-23 06:00:02 PRS end P2"]
    assert excerpt(folder, "inbox/plc.log~2", 3, 0)["text"].to_list() == ["2026-10-23 06:00:11 PRS begin P11"]


def test_a_log_that_is_copied_and_cut_off_begins_anew(tmp_path):
    folder = plant(tmp_path / "p", {"inbox/plc.log": lines(0, 50)})
    load(folder)
    grow(folder / "inbox/plc.log", lines(50, 55))
    shutil.copy(folder / "inbox/plc.log", folder / "inbox/plc.log.1")
    write(folder / "inbox/plc.log", b"")
    assert states(folder) == [("plc.log", "loaded", 0), ("plc.log.1", "grew", 5)]
    grow(folder / "inbox/plc.log", lines(55, 200))  # longer than before: its size alone would tell nothing
    assert ("plc.log", "grew", 145) in states(folder)
    assert told(folder).drop("line").equals(whole(tmp_path / "w", lines(0, 200)).drop("line"))


def test_a_log_that_is_cut_off_and_longer_than_before_at_the_next_look_is_a_new_one(tmp_path):
    folder = plant(tmp_path / "p", {"inbox/plc.log": lines(0, 50)})
    load(folder)
    write(folder / "inbox/plc.log", lines(50, 200))
    assert states(folder) == [("plc.log", "loaded", 150)]
    assert told(folder).drop("line").equals(whole(tmp_path / "w", lines(0, 200)).drop("line"))


def test_a_file_that_vanishes_and_returns_is_known(tmp_path):
    folder = plant(tmp_path, {"inbox/a.log": lines(0, 50)})
    load(folder)
    (folder / "inbox/a.log").rename(tmp_path / "away")
    assert states(folder) == []
    assert told(folder).height == 75
    (tmp_path / "away").rename(folder / "inbox/a.log")
    os.utime(folder / "inbox/a.log")
    assert states(folder) == [("a.log", "already loaded", 0)]


@pytest.mark.parametrize("pack", [gzip.compress, zstandard.compress], ids=["gz", "zst"])
def test_a_compressed_copy_that_goes_further_is_read_on(pack, tmp_path):
    folder = plant(tmp_path / "p", {"inbox/a.log": lines(0, 9_000)})
    load(folder)
    (folder / "inbox/a.log").unlink()
    write(folder / "inbox/old/a.log.pack", pack(lines(0, 9_050)))
    plant(folder, {}, SOURCE.replace("inbox/*.log*", "inbox/**/*.log*"))
    assert states(folder) == [("old/a.log.pack", "grew", 50)]
    assert told(folder).equals(whole(tmp_path / "w", lines(0, 9_050)))


def test_two_logs_that_begin_with_the_same_header_are_two(tmp_path):
    source = SOURCE.replace("[read.patterns]", '[read]\n    comment = "#"\n    [read.patterns]')
    folder = plant(tmp_path, {"inbox/a.log": b"# line 7\n"}, source)
    load(folder)
    grow(folder / "inbox/a.log", lines(0, 5))
    write(folder / "inbox/b.log", b"# line 7\n" + lines(5, 9))
    load(folder)
    assert {r.file: r.lines for r in Store.open(folder / "store").sources()} == {"inbox/a.log": 6, "inbox/b.log": 5}


def test_a_corrected_source_file_maps_a_log_that_has_grown_anew_as_a_whole(tmp_path):
    folder = plant(tmp_path / "p", {"inbox/a.log": lines(0, 5) + b"2026-10-23 07:00:00 GAU begin P1\n"})
    load(folder)
    grow(folder / "inbox/a.log", lines(5, 9))
    plant(folder, {}, SOURCE.replace('ROB = "robot"', 'ROB = "robot"\n    GAU = "gauge"'))
    assert states(folder) == [("a.log", "mapped anew", 10)]
    assert Store.open(folder / "store").quarantine().is_empty()
    assert told(folder).height == 5 + 3 + 1 + 4 + 1 + 1


def test_a_file_that_two_sources_claim_is_refused_and_the_others_are_loaded(tmp_path):
    folder = plant(tmp_path, {"inbox/a.log": lines(0, 5), "inbox/b.txt": lines(5, 9)})
    (folder / "sources/other.toml").write_text((folder / "sources/log.toml").read_text().replace("*.log*", "*"))
    summary = load(folder)
    assert [(r.file, r.problem.found) for r in summary.refused] == [
        ("inbox/a.log", "sources/log.toml and sources/other.toml")
    ]
    assert [f.file for f in summary.files] == ["inbox/b.txt"]


def test_a_file_that_a_reader_fails_on_is_refused_as_our_fault_and_the_others_are_loaded(tmp_path, monkeypatch):
    folder = plant(tmp_path, {"inbox/a.log": lines(0, 5), "inbox/b.log": lines(5, 9)})
    before = Mapping.apply

    def fails(self, records, context):
        if context.file == "inbox/a.log":
            raise ValueError("nobody thought of this")
        return before(self, records, context)

    monkeypatch.setattr(Mapping, "apply", fails)
    summary = load(folder)
    assert [(r.file, r.problem.found) for r in summary.refused] == [
        ("inbox/a.log", "ValueError: nobody thought of this")
    ]
    assert summary.total("lines") == 4


def test_a_late_log_says_which_closed_days_it_reopens(tmp_path):
    folder = plant(tmp_path, {"inbox/a.log": lines(0, 4) + b"2026-10-24 07:00:00 PRS begin P1\n"})
    load(folder)
    store = Store.open(folder / "store")
    for day in store.days("c1"):
        store.write_facts("c1", day, "key", {"cycles": pl.DataFrame({"n": [1]})})
    write(folder / "inbox/late.log", b"2026-10-23 09:00:00 PRS end P8\n2026-10-24 09:00:00 PRS end P9\n")
    assert [(str(d.day), d.events, d.reopened) for d in load(folder).days] == [
        ("2026-10-23", 2, True),
        ("2026-10-24", 2, False),
    ]


def test_a_log_of_nothing_but_bad_lines_is_quarantined_whole(tmp_path):
    """Enough of them that the reader's pieces begin with none."""
    good, bad = lines(0, 65_000), lines(0, 9_000).replace(b" 0", b" 3")
    _, store = load(plant(tmp_path, {"inbox/a.log": good + bad})), Store.open(tmp_path / "store")
    assert (store.sources()[0].with_events, store.sources()[0].quarantined) == (65_000, 9_000)
    assert set(store.quarantine()["reason"].str.slice(0, 15)) == {"time '2026-10-2"}


# ---- many small loads


def test_a_day_of_many_small_loads_is_put_together_and_says_the_same(tmp_path):
    folder = plant(tmp_path / "p")
    for n in range(70):
        grow(folder / f"inbox/{'ab'[n % 2]}.log", lines(5 * n, 5 * n + 5))
        load(folder)
    store = Store.open(folder / "store")
    [day] = store.days("c1")
    assert len(store.event_files("c1", [day])) < 2 * compact.MANY
    assert told(folder).drop("line").equals(whole(tmp_path / "w", lines(0, 350)).drop("line"))
    assert store.manifest.parts["rows"].sum() == 525


def test_putting_together_changes_no_fingerprint(tmp_path, monkeypatch):
    folder = plant(tmp_path)
    monkeypatch.setattr(compact, "MANY", 1_000)
    for n in range(5):
        grow(folder / "inbox/a.log", lines(5 * n, 5 * n + 5))
        load(folder)
    before = Store.open(folder / "store")
    [day] = before.days("c1")
    monkeypatch.setattr(compact, "MANY", 2)
    write(folder / "inbox/b.log", b"2026-10-24 12:00:00 PRS end P1\n2026-10-23 12:00:00 NO end P1\n")
    load(folder)
    batch = commit.Batch(folder / "store", Store.open(folder / "store").manifest, folder / "store/incoming/x")
    batch.days = {("c1", day): 1}
    batch.commit(compact=True)
    after = Store.open(folder / "store")
    assert len(after.event_files("c1", [day])) == 1
    assert after.fingerprint("c1", day) == before.fingerprint("c1", day)
    assert before.events("c1", [day]).height == 38, "who opened the store before is not disturbed"


def test_a_log_whose_events_were_put_together_with_others_can_be_mapped_anew(tmp_path, monkeypatch):
    monkeypatch.setattr(compact, "MANY", 2)
    folder = plant(tmp_path / "p")
    for n in range(6):
        grow(folder / f"inbox/{'ab'[n % 2]}.log", lines(5 * n, 5 * n + 5))
        load(folder)
    (folder / "inbox/a.log").rename(tmp_path / "a.log")
    plant(folder, {}, SOURCE.replace('"press"', '"PRESS"'))
    assert [state for _, state, _ in states(folder)] == ["mapped anew"]
    assert dict(told(folder)["station"].value_counts().iter_rows()) == {"press": 24, "PRESS": 21}
    (tmp_path / "a.log").rename(folder / "inbox/a.log")
    load(folder)
    assert set(told(folder)["station"]) == {"PRESS"}
    assert told(folder).height == 45


def test_years_of_loads_are_read_from_a_state_and_the_changes_behind_it(tmp_path, monkeypatch):
    monkeypatch.setattr(manifest, "CHECKPOINT", 4)
    folder = plant(tmp_path)
    for n in range(11):
        grow(folder / "inbox/a.log", lines(n, n + 1))
        load(folder)
    names = sorted(p.name for p in (folder / "store/log").iterdir())
    states_kept = ["00000004.state", "00000008.state"]
    assert names == sorted([*states_kept, *(f"{n:08d}.json" for n in range(4, 12))])
    assert Store.open(folder / "store").sources()[0].lines == 11
    shutil.rmtree(folder / "store/log/00000008.state")
    assert Store.open(folder / "store").sources()[0].lines == 11


# ---- properties

STEP = st.one_of(
    st.tuples(st.just("write"), st.integers(1, 12)),
    st.tuples(st.just("half"), st.integers(1, 3)),
    st.tuples(st.just("turn over"), st.just(0)),
    st.tuples(st.just("copy and cut off"), st.just(0)),
    st.tuples(st.just("pack"), st.just(0)),
    st.tuples(st.just("load"), st.sampled_from([0, 60])),
)


@settings(max_examples=40, deadline=None)
@given(steps=st.lists(STEP, min_size=3, max_size=25), big=st.booleans())
def test_whatever_happens_to_a_log_the_store_holds_each_line_once(steps, big, tmp_path_factory):
    temp = tmp_path_factory.mktemp("p")
    folder, live = plant(temp / "p"), temp / "p/inbox/plc.log"
    written = turned = 0
    pending = b""
    if big:  # beyond the pieces of the hash
        grow(live, lines(0, 2 * PIECE // 30))
        written = 2 * PIECE // 30
    for step, n in steps:
        if step == "write":
            grow(live, pending + lines(written, written + n))
            pending, written = b"", written + n
        elif step == "half" and not pending:
            line = lines(written, written + 1)
            grow(live, line[: 6 * n])
            pending, written = line[6 * n :], written + 1
        elif step in ("turn over", "copy and cut off") and live.exists():
            turned += 1
            grow(live, pending)  # a line is finished before the log turns over
            pending = b""
            shutil.copy(live, folder / f"inbox/plc.log.{turned}")
            live.unlink() if step == "turn over" else live.write_bytes(b"")
        elif step == "pack" and turned and (old := folder / f"inbox/plc.log.{turned}").exists():
            (folder / f"inbox/plc.log.{turned}.gz").write_bytes(gzip.compress(old.read_bytes()))
            old.unlink()
        elif step == "load":
            load(folder, settle_s=n)
    grow(live, pending)
    load(folder)
    assert told(folder).drop("line").equals(whole(temp / "w", lines(0, written)).drop("line")) or not written
    records = Store.open(folder / "store").sources()
    assert sum(r.lines for r in records) == written
    assert all(r.lines == r.with_events + r.skipped + r.quarantined for r in records)
