"""Files as they come: compressed, torn, in other encodings, empty, huge, or not to be read at all."""

from __future__ import annotations

import gzip
import os

import pytest
import zstandard

from ingest import load_file
from ingest.load import load
from ingest.raw import LONGEST_LINE, RawFile
from ingest.store import Store
from tests.ingest.plants import SOURCE, all_events, events_of, loaded, plant, reasons, write

LOG = """
    2026-10-23 06:00:00 PRS begin P1
    2026-10-23 06:00:09 PRS end P1
"""
BYTES = b"2026-10-23 06:00:00 PRS begin P1\n2026-10-23 06:00:09 PRS end P1\n"


def shape(events):
    return events.select("ts_source", "kind", "station", "part", "line").rows()


@pytest.mark.parametrize(
    ("name", "content"),
    [
        ("a.log.gz", gzip.compress(BYTES)),
        ("a.log.gz", gzip.compress(BYTES[:40]) + gzip.compress(BYTES[40:])),
        ("a.log.zst", zstandard.compress(BYTES)),
        ("a.log.zst", zstandard.compress(BYTES[:40]) + zstandard.compress(BYTES[40:])),
        ("a.log", gzip.compress(BYTES)),
        ("a.log", BYTES.replace(b"\n", b"\r\n")),
        ("a.log", b"\xef\xbb\xbf" + BYTES),
        ("a.log", BYTES[:-1]),
    ],
    ids=[
        "gz",
        "gz in two members",
        "zst",
        "zst in two frames",
        "gz without its ending",
        "CRLF",
        "BOM",
        "no last line end",
    ],
)
def test_the_same_lines_give_the_same_events_however_they_are_stored(name, content, tmp_path):
    plain = events_of(tmp_path / "plain", SOURCE, BYTES)
    assert shape(events_of(tmp_path / "other", SOURCE, content, f"inbox/{name}")) == shape(plain)


def test_utf16_is_read_when_the_source_says_so(tmp_path):
    source = SOURCE.replace('format = "text"', 'format = "text"\n    encoding = "utf-16"')
    assert events_of(tmp_path, source, BYTES.decode().encode("utf-16")).height == 3


def test_bytes_that_are_no_utf8_are_read_as_windows_1252(tmp_path):
    log = (
        "2026-10-23 06:00:00 PRS begin Bürste €\n".encode("cp1252")
        + "2026-10-23 06:00:01 PRS begin Bürste €\n".encode()
    )
    assert events_of(tmp_path, SOURCE, log)["part"].to_list() == ["Bürste €", "Bürste €"]


def test_a_pattern_matches_words_with_umlauts_beside_plain_ones(tmp_path):
    """ASCII blocks are read by a quicker pattern; a block with other letters must not be."""
    source = SOURCE.replace("(?P<what>.*)", r"(?P<what>\w+)")
    log = "2026-10-23 06:00:00 PRS begin Bürste\n2026-10-23 06:00:01 PRS begin Rad\n"
    assert events_of(tmp_path, source, log)["part"].to_list() == ["Bürste", "Rad"]


def test_lines_keep_their_numbers_over_blanks_and_what_is_skipped(tmp_path):
    log = "\n   \n2026-10-23 06:00:00 PRS begin P1\n2026-10-23 06:00:01 PRS noise\n\n2026-10-23 06:00:09 PRS begin P2\n"
    summary, store = loaded(plant(tmp_path, {"inbox/a.log": log.encode()}))
    assert all_events(store)["line"].to_list() == [3, 6]
    assert (summary.total("lines"), summary.total("skipped")) == (6, 4)


def test_a_torn_last_line_counts_if_it_can_be_understood(tmp_path):
    good, torn = b"2026-10-23 06:00:00 PRS begin P1", b"2026-10-23 06:00:00 PR"
    assert reasons(loaded(plant(tmp_path / "a", {"inbox/a.log": good}))[1]) == []
    assert reasons(loaded(plant(tmp_path / "b", {"inbox/a.log": torn}))[1])[0][1].startswith("line is torn")


def test_a_line_of_100_mb_is_quarantined_and_the_rest_is_read(tmp_path):
    line = b"x" * 100_000_000
    summary, store = loaded(plant(tmp_path, {"inbox/a.log": BYTES + line + b"\n" + BYTES}))
    assert reasons(store) == [(3, f"line is too long: 100,000,000 bytes, at most {LONGEST_LINE:,} are read")]
    assert store.quarantine()["text"][0] == "x" * 300
    assert all_events(store)["line"].unique().to_list() == [1, 2, 4, 5]
    assert summary.total("lines") == 5


def test_a_file_that_is_one_endless_line_is_read_over(tmp_path):
    path = tmp_path / "a.log"
    path.write_bytes(b"y" * (3 * LONGEST_LINE))
    blocks = list(RawFile(path, "a.log").blocks())
    assert [(b.lines, b.torn, len(b.data)) for b in blocks] == [(1, True, 0)]


@pytest.mark.parametrize("before", [0, 5, LONGEST_LINE // 2, LONGEST_LINE - 1])
def test_how_long_a_line_is_does_not_depend_on_where_it_stands(before, tmp_path):
    path = tmp_path / "a.log"
    path.write_bytes(b"a" * before + b"\n" + b"b" * LONGEST_LINE + b"\n" + b"c" * (LONGEST_LINE + 1) + b"\nd\n")
    blocks = list(RawFile(path, "a.log").blocks())
    assert [b.first for b in blocks if b.bad is not None] == [3]
    assert b"".join(b.data for b in blocks) == b"a" * before + b"\n" + b"b" * LONGEST_LINE + b"\nd\n"


@pytest.mark.parametrize("size", [4, 7, 33, 64, 200])
def test_where_a_file_is_cut_into_blocks_makes_no_difference(size, tmp_path):
    content = "\ufeffä\r\nb\r\n\r\n".encode() + b"cc\xe4\n" * 20 + b"\r\r\nlast"
    path = tmp_path / "a.log"
    path.write_bytes(content)
    whole = list(RawFile(path, "a.log").blocks())
    cut = list(RawFile(path, "a.log", block_bytes=size).blocks())
    assert b"".join(b.data for b in cut) == b"".join(b.data for b in whole)
    assert [b.first for b in cut[1:]] == [b.first + b.lines for b in cut[:-1]]
    assert sum(b.lines for b in cut) == sum(b.lines for b in whole) == 25
    assert cut[-1].torn


def test_small_blocks_and_many_threads_give_the_same_events(tmp_path, monkeypatch):
    log = "".join(
        f"2026-10-23 06:{n // 60:02}:{n % 60:02} PRS {'begin' if n % 2 else 'end'} P{n // 2}\n" for n in range(600)
    )
    one = events_of(tmp_path / "one", SOURCE, log.encode())
    monkeypatch.setattr(load_file, "RawFile", lambda *args, **more: RawFile(*args, **({"block_bytes": 500} | more)))
    folder = plant(tmp_path / "two", {"inbox/a.log": log.encode()})
    load(folder, workers=5)
    assert shape(all_events(Store.open(folder / "store"))) == shape(one)


def test_an_empty_file_is_no_error_but_is_told(tmp_path):
    summary, store = loaded(plant(tmp_path, {"inbox/a.log": b"", "inbox/b.log": b"\xef\xbb\xbf"}))
    assert reasons(store) == [(0, "the file is empty")] * 2
    assert (summary.total("lines"), summary.total("faults")) == (0, 2)


@pytest.mark.parametrize(
    ("make", "message"),
    [
        (lambda p: p.mkdir(), "This is a folder"),
        (lambda p: p.symlink_to("nowhere"), "cannot be read"),
        (lambda p: p.symlink_to(p), "cannot be read"),
        (lambda p: p.write_bytes(b"\x7fELF\x02\x01\x01\x00\x00\x00"), "binary file"),
        (lambda p: p.write_bytes(b"\0" * 5000), "binary file"),
        (lambda p: p.write_bytes(zstandard.compress(BYTES * 9)[:-5]), "not complete"),
        (lambda p: p.write_bytes(gzip.compress(BYTES * 9)[:40] + b"garbage" * 9), "damaged"),
    ],
    ids=["folder", "dangling link", "link to itself", "program", "NUL bytes only", "half a zst", "damaged gz"],
)
def test_a_file_that_cannot_be_used_is_refused_and_the_others_are_loaded(make, message, tmp_path):
    folder = plant(tmp_path / "p", {"inbox/a.log": LOG, "inbox/c.log": LOG.replace("P1", "P2")})
    make(folder / "inbox" / "b.log")
    for again in (True, False):
        summary = load(folder, again=again)
        [refused] = summary.refused
        assert message in str(refused.problem)
        assert "inbox/b.log" in str(refused.problem)
    store = Store.open(folder / "store")
    assert set(all_events(store)["file"]) == {"inbox/a.log", "inbox/c.log"}
    assert not list((folder / "store").glob("incoming*"))


def test_a_refused_file_that_was_put_right_is_loaded(tmp_path):
    whole = gzip.compress(BYTES * 9)
    folder = plant(tmp_path / "p", {"inbox/b.log.gz": whole[:-9]})
    assert load(folder).refused
    assert Store.open(folder / "store").refused()["file"].to_list() == ["inbox/b.log.gz"]
    write(folder / "inbox/b.log.gz", whole)
    assert not load(folder, again=False).refused
    store = Store.open(folder / "store")
    assert store.refused().is_empty()
    assert store.sources()[0].lines == 18


@pytest.mark.skipif(os.name == "nt" or os.geteuid() == 0, reason="the superuser may read everything")
def test_a_file_without_permission_is_told(tmp_path):
    folder = plant(tmp_path, {"inbox/a.log": LOG})
    (folder / "inbox/a.log").chmod(0)
    assert "cannot be read" in load(folder).refused[0].problem.message


def test_a_pattern_of_files_that_finds_nothing_is_told(tmp_path):
    summary, _ = loaded(plant(tmp_path))
    assert summary.files == ()
    assert summary.unmatched == ("log: inbox/*.log*",)


def test_files_outside_of_the_plant_folder_can_be_named(tmp_path):
    write(tmp_path / "elsewhere" / "x.log", LOG)
    source = SOURCE.replace("inbox/*.log*", (tmp_path / "elsewhere/*.log").as_posix())
    _, store = loaded(plant(tmp_path / "p", {}, source))
    assert all_events(store)["file"].unique().to_list() == [(tmp_path / "elsewhere/x.log").as_posix()]
