"""What is committed to a spool is on the disk, once, whatever the disk does meanwhile."""

from __future__ import annotations

import contextlib
import errno
import os
import shutil
from datetime import UTC, datetime

import pytest

from ingest.feeds.spool import Spool, spool_folder
from tests.ingest.feeds.listening import receiving, record, spooled
from tests.ingest.plants import loaded, reasons

EVENING = datetime(2026, 10, 23, 23, 59, 58, tzinfo=UTC)


def keep(spool: Spool, *lines: str) -> None:
    spool.append(line.encode() for line in lines)
    spool.commit()


def names(folder):
    return sorted(p.name for p in spool_folder(folder, "wire").iterdir())


def test_lines_stand_in_their_order_in_one_file_named_after_source_and_time(tmp_path):
    spool = Spool(tmp_path, "wire", now=lambda: EVENING)
    keep(spool, "a", "b")
    keep(spool, "c")
    assert names(tmp_path) == ["wire-20261023T235958Z-1.log"]
    assert spooled(tmp_path) == ["a", "b", "c"]


def test_nothing_is_written_before_the_first_line(tmp_path):
    Spool(tmp_path, "wire").commit()
    assert not spool_folder(tmp_path, "wire").exists()


def test_a_new_file_begins_at_midnight_utc_and_when_one_is_large(tmp_path):
    clock = [EVENING]
    spool = Spool(tmp_path, "wire", most_bytes=10, now=lambda: clock[0])
    keep(spool, "12345678")
    keep(spool, "9")
    clock[0] = datetime(2026, 10, 24, tzinfo=UTC)
    keep(spool, "x")
    assert names(tmp_path) == [
        "wire-20261023T235958Z-1.log",
        "wire-20261023T235958Z-2.log",
        "wire-20261024T000000Z-1.log",
    ]


def test_two_processes_never_write_to_the_same_file(tmp_path):
    one, other = (Spool(tmp_path, "wire", now=lambda: EVENING) for _ in range(2))
    keep(one, "one")
    keep(other, "other")
    keep(one, "one again")
    assert [p.read_text() for p in sorted(spool_folder(tmp_path, "wire").iterdir())] == ["one\none again\n", "other\n"]


def test_a_disk_that_is_full_in_mid_line_loses_and_doubles_nothing(tmp_path, monkeypatch):
    spool = Spool(tmp_path, "wire")
    keep(spool, "before")
    real, room = os.write, [7]

    def write(handle, data):
        if not room[0]:
            raise OSError(errno.ENOSPC, "No space left on device")
        taken = real(handle, bytes(data)[: room[0]])
        room[0] -= taken
        return taken

    monkeypatch.setattr(os, "write", write)
    spool.append([b"first line", b"second line"])
    for _ in range(3):
        with pytest.raises(OSError, match="No space") as refused:
            spool.commit()
    assert spooled(tmp_path) == ["before"], "the rest has no end yet"
    assert refused.tb is not None, "which holds what the write held"
    spool.append([b"third line"])
    room[0] = 1000
    spool.commit()
    assert spooled(tmp_path) == ["before", "first line", "second line", "third line"]
    assert len(names(tmp_path)) == 1


@pytest.mark.parametrize("call", ["write", "fsync"])
def test_after_a_disk_error_all_that_is_not_surely_kept_is_written_to_a_new_file(call, tmp_path, monkeypatch):
    spool = Spool(tmp_path, "wire")
    keep(spool, "before")
    with monkeypatch.context() as broken:

        def fail(*_):
            raise OSError(errno.EIO, "Input/output error")

        broken.setattr(os, call, fail)
        spool.append([b"a", b"b"])
        with pytest.raises(OSError, match="Input/output"):
            spool.commit()
    spool.commit()
    assert len(names(tmp_path)) == 2
    assert spooled(tmp_path)[-2:] == ["a", "b"]
    assert set(spooled(tmp_path)) == {"before", "a", "b"}


@pytest.mark.parametrize("error", [errno.ENOSPC, errno.EIO])
@pytest.mark.parametrize("call", ["open", "write", "fsync", "close"])
def test_no_call_that_the_system_refuses_loses_a_line(call, error, tmp_path, monkeypatch):
    """Each call of its kind is refused once, in turn; after three groups of lines every line is there."""
    real = getattr(os, call)
    for nth in range(12):
        plant, calls = tmp_path / str(nth), [0]

        def refused_once(*args, nth=nth, calls=calls, **named):
            calls[0] += 1
            if calls[0] == nth + 1:
                raise OSError(error, os.strerror(error))
            return real(*args, **named)

        with monkeypatch.context() as failing:
            failing.setattr(os, call, refused_once)
            spool = Spool(plant, "wire", most_bytes=12, now=lambda: EVENING)
            for group in range(3):
                spool.append([b"line %d" % group, b"more %d" % group])
                with contextlib.suppress(OSError):
                    spool.commit()
                spool.commit()
        kept = spooled(plant)
        assert set(kept) == {f"{word} {group}" for word in ("line", "more") for group in range(3)}
        assert len(kept) == 6 or (error, call) != (errno.ENOSPC, "write"), "a full disk doubles nothing"
        assert not [p for p in spool_folder(plant, "wire").iterdir() if not p.stat().st_size]


def test_a_file_that_somebody_removes_while_it_is_written_to_takes_no_new_line_with_it(tmp_path):
    spool = Spool(tmp_path, "wire")
    keep(spool, "old")
    shutil.rmtree(spool_folder(tmp_path, "wire"))
    keep(spool, "new")
    keep(spool, "newer")
    assert spooled(tmp_path) == ["new", "newer"]


def test_a_line_that_a_crash_cut_off_gets_an_end_and_goes_to_the_quarantine(tmp_path):
    receiving(tmp_path)
    old = spool_folder(tmp_path, "wire") / "wire-20261023T060000Z-1.log"
    old.parent.mkdir(parents=True)
    old.write_text(record(1) + "\n" + record(23)[:-1])  # … P2 instead of P23 would be a wrong part
    keep(Spool(tmp_path, "wire"), record(23))
    summary, store = loaded(tmp_path)
    assert summary.files[0].file == "spool/wire/wire-20261023T060000Z-1.log"
    assert set(store.events("c1", store.days("c1"))["part"]) == {"P1", "P23"}
    assert reasons(store) == [(2, "line contains NUL bytes")]
    assert "the writing stopped within this line" in store.quarantine()["text"][0]
