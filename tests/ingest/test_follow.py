"""Following: what comes is loaded as it comes, whatever happens to files, feeds and the plant's own files."""

from __future__ import annotations

import socket
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from ingest.errors import ConfigError
from ingest.follow import Follower, Look
from ingest.load import load
from ingest.lock import one_load
from ingest.store import Store
from tests.ingest.plants import SOURCE, plant, write
from tests.ingest.test_growing_logs import grow, lines, told, whole

PATIENCE_S = 20  # on a busy machine; the tests themselves wait no longer than they must


@contextmanager
def followed(folder: Path) -> Iterator[tuple[list[str], list[Look]]]:
    """A follower at work; gives what it tells and its looks."""
    said: list[str] = []
    looks: list[Look] = []
    stop = threading.Event()
    follower = Follower(folder, stop, said.append, every_s=0.02, settle_s=0.3, after=looks.append)
    thread = threading.Thread(target=follower.run)
    thread.start()
    try:
        yield said, looks
    finally:
        stop.set()
        thread.join(PATIENCE_S)
        assert not thread.is_alive()


def until(holds: Callable[[], bool]) -> None:
    end = time.monotonic() + PATIENCE_S
    while not holds():
        assert time.monotonic() < end, "it never came"
        time.sleep(0.02)


def held(folder: Path) -> int:
    return sum(record.lines for record in Store.open(folder / "store").sources())


def test_a_log_is_loaded_while_it_grows_and_turns_over(tmp_path):
    folder = plant(tmp_path / "p")
    live = folder / "inbox/plc.log"
    with followed(folder) as (said, _):
        for turn in range(3):
            for n in range(4):
                grow(live, lines(40 * turn + 10 * n, 40 * turn + 10 * n + 10))
                until(lambda count=40 * turn + 10 * n + 10: held(folder) == count)  # type: ignore[misc]
            live.rename(folder / f"inbox/plc.log.{turn}")
    assert told(folder).drop("line").equals(whole(tmp_path / "w", lines(0, 120)).drop("line"))
    assert any(s.startswith("10 lines, 15 events from inbox/plc.log in ") for s in said)


def test_a_line_without_an_end_waits_until_its_file_is_at_rest(tmp_path):
    folder = plant(tmp_path)
    with followed(folder) as (_, looks):
        grow(folder / "inbox/a.log", lines(0, 3) + b"2026-10-23 06:00:03 PRS end P3")
        until(lambda: held(folder) == 3)
        until(lambda: held(folder) == 4)
    assert [look.summary.total("lines") for look in looks] == [3, 1]
    assert Store.open(tmp_path / "store").quarantine().is_empty()


def test_a_refused_file_is_told_once_and_loaded_when_it_is_put_right(tmp_path):
    folder = plant(tmp_path, {"inbox/a.log": b"\x00\x01\x02" * 99})
    with followed(folder) as (said, _):
        until(lambda: any("binary file" in s for s in said))
        grow(folder / "inbox/b.log", lines(0, 5))
        until(lambda: held(folder) == 5)
        write(folder / "inbox/a.log", lines(5, 9))
        until(lambda: held(folder) == 9)
    assert sum("binary file" in s for s in said) == 1


def test_a_source_file_that_breaks_is_told_and_the_one_before_goes_on(tmp_path):
    folder = plant(tmp_path, {"inbox/a.log": lines(0, 5)})
    with followed(folder) as (said, _):
        until(lambda: held(folder) == 5)
        write(folder / "sources/log.toml", "cell = 7\n")
        until(lambda: any("sources/log.toml has" in s for s in said))
        grow(folder / "inbox/a.log", lines(5, 9))
        until(lambda: held(folder) == 9)
        plant(folder, {}, SOURCE.replace('"press"', '"PRESS"'))
        until(lambda: set(told(folder)["station"]) == {"PRESS"})
    assert sum("sources/log.toml has" in s for s in said) == 1
    assert "All is well again with the files of the plant." in said


def test_a_plant_that_is_wrong_from_the_start_is_no_plant_to_follow(tmp_path):
    folder = plant(tmp_path, {}, "cell = 7")
    with pytest.raises(ConfigError):
        Follower(folder, threading.Event(), print).run()


def test_while_another_load_is_at_work_it_waits_and_says_so(tmp_path):
    folder = plant(tmp_path, {"inbox/a.log": lines(0, 5)})
    with one_load(folder / "store"), followed(folder) as (said, _):
        until(lambda: any("Another load is at work" in s for s in said))
        assert held(folder) == 0
        time.sleep(0.3)
    assert sum("Another load" in s for s in said) == 1
    assert load(folder).total("lines") == 5


def test_what_a_listener_received_is_loaded_by_the_time_it_has_stopped(tmp_path):
    port = free_port()
    receive = f'\n    [receive]\n    by = "tcp"\n    address = "127.0.0.1:{port}"\n'
    folder = plant(tmp_path / "p", {}, SOURCE.replace('    files = ["inbox/*.log*"]\n', "") + receive)
    with followed(folder) as (said, _):
        until(lambda: any("listens" in s for s in said))
        with socket.create_connection(("127.0.0.1", port)) as client:
            client.sendall(lines(0, 7))
        until(lambda: held(folder) == 7)
        with socket.create_connection(("127.0.0.1", port)) as client:
            client.sendall(lines(7, 20))
            client.shutdown(socket.SHUT_WR)
            assert client.recv(1) == b""
    assert told(folder).drop("line").equals(whole(tmp_path / "w", lines(0, 20)).drop("line"))


def free_port() -> int:
    with socket.socket() as one:
        one.bind(("127.0.0.1", 0))
        return int(one.getsockname()[1])
