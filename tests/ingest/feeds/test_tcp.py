"""Lines over TCP, from the socket to the event; and clients that mean no good."""

from __future__ import annotations

import errno
import os
import resource
import socket
import struct
import subprocess

import pytest

from tests.ingest.feeds.listening import TCP, listening, receiving, record, send_until_closed, spooled, until
from tests.ingest.plants import all_events, loaded, reasons


def test_what_clients_send_is_spooled_and_loaded_like_any_file(tmp_path):
    with listening(receiving(tmp_path)) as running:
        running.send(f"{record(1)}\r\n{record(2)}\n")
        running.until_lines(2)
        summary, _ = loaded(tmp_path)
        assert summary.total("events") == 2
        with running.connect() as client:
            client.sendall(f"{record(3)}\n".encode())
            running.until_lines(3)
            assert running.row().clients == 1
        summary, store = loaded(tmp_path)
        row = running.row()
    assert [(f.state, f.counts["events"]) for f in summary.files] == [("grew", 1)]
    assert list(all_events(store)["part"]) == ["P1", "P2", "P3"]
    assert (row.by, row.lines, row.bytes) == ("tcp", 3, sum(len(record(n)) + 1 for n in (1, 2, 3)))
    assert row.last_received is not None
    assert row.problem == ""


def test_ten_thousand_lines_of_four_clients_are_all_there_when_the_listener_has_stopped(tmp_path):
    with listening(receiving(tmp_path)) as running:
        clients = [running.connect() for _ in range(4)]
        for n in range(0, 10_000, 100):
            clients[n // 100 % 4].sendall("".join(f"{record(i)}\n" for i in range(n, n + 100)).encode())
        for client in clients:
            client.close()
        until(lambda: running.row().lines == 10_000)
    assert sorted(spooled(tmp_path)) == sorted(record(n) for n in range(10_000))


def test_with_stamp_the_time_of_receipt_stands_in_front(tmp_path):
    mapping = """
        cell = "c1"
        format = "text"
        [receive]
        by = "tcp"
        address = "127.0.0.1:0"
        stamp = true
        [time]
        formats = ["iso8601"]
        [read]
        patterns.line = '^(?P<time>\\S+Z)\\t(?P<who>\\w+) counts (?P<n>\\d+)$'
        [[rules]]
        emit = [{ kind = "count", station = "{who}", value = "{n}" }]
    """
    with listening(receiving(tmp_path, mapping=mapping)) as running:
        running.send("bowl1 counts 17\n")
        running.until_lines(1)
        received = running.row().last_received
    event = all_events(loaded(tmp_path)[1]).row(0, named=True)
    assert event["value"] == 17
    assert abs((event["ts_source"].replace(tzinfo=received.tzinfo) - received).total_seconds()) < 1


def test_a_last_line_without_an_end_counts_when_the_client_closed_in_order(tmp_path):
    with listening(receiving(tmp_path)) as running:
        running.send(record(7))
        assert running.until_lines(1) == [record(7)]


def test_a_half_line_of_a_connection_that_broke_goes_to_the_quarantine(tmp_path):
    with listening(receiving(tmp_path)) as running:
        client = running.connect()
        client.sendall(f"{record(1)}\n{record(23)[:-1]}".encode())
        running.until_lines(1)
        client.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
        client.close()  # sends a reset
        running.until_lines(2)
        assert running.row().cut == 1
    _, store = loaded(tmp_path)
    assert list(all_events(store)["part"]) == ["P1"]
    assert "[taktbook: the connection broke within this line]" in store.quarantine()["text"][0]


def test_a_half_line_when_the_listener_stops_goes_to_the_quarantine(tmp_path):
    with listening(receiving(tmp_path)) as running:
        client = running.connect()
        client.sendall(f"{record(1)}\n{record(23)[:-1]}".encode())
        running.until_lines(1)
    client.close()
    assert "the listener stopped within this line" in spooled(tmp_path)[1]


def test_clients_beyond_the_limit_are_refused_and_told_of_once(tmp_path, monkeypatch):
    monkeypatch.setattr("ingest.feeds.intake.TOLD_EVERY_S", 3600.0)
    with listening(receiving(tmp_path, TCP + "\nclients = 3")) as running:
        kept = [running.connect() for _ in range(3)]
        until(lambda: running.row().clients == 3)
        for _ in range(20):
            with running.connect() as client, pytest.raises((ConnectionError, AssertionError)):
                assert client.recv(1) != b""
        assert running.row().refused == 20
        kept[0].sendall(f"{record(1)}\n".encode())
        assert running.until_lines(1) == [record(1)]
        for client in kept:
            client.close()
    assert running.told == ["wire: a client was refused: 3 are connected already (key `clients`)"]


FLOOD = """
import resource, socket, sys
resource.setrlimit(resource.RLIMIT_NOFILE, (5100, resource.getrlimit(resource.RLIMIT_NOFILE)[1]))
open_ = []
for _ in range(5000):
    try:
        open_.append(socket.create_connection(("127.0.0.1", int(sys.argv[1])), timeout=20))
    except OSError:
        pass
print(len(open_), flush=True)
sys.stdin.read()
"""


@pytest.mark.skipif(resource.getrlimit(resource.RLIMIT_NOFILE)[1] < 5100, reason="the system allows too few open files")
def test_five_thousand_clients_disturb_nobody_who_is_connected(tmp_path, python):
    with listening(receiving(tmp_path)) as running, running.connect() as client:
        until(lambda: running.row().clients == 1)
        port = running.row().address.rpartition(":")[2]
        pipe = subprocess.PIPE
        with subprocess.Popen([python, "-c", FLOOD, port], stdin=pipe, stdout=pipe, text=True) as flood:
            assert flood.stdout is not None
            assert int(flood.stdout.readline()) > 256
            until(lambda: running.row().clients + running.row().refused > 4000)
            assert running.row().clients == 256
            client.sendall(f"{record(1)}\n".encode())
            assert running.until_lines(1) == [record(1)]
            flood.communicate("")
        until(lambda: running.row().clients == 1)


def test_a_silent_client_and_one_that_sends_a_byte_now_and_then_make_room_when_it_is_needed(tmp_path):
    listeners = listening(receiving(tmp_path, TCP + "\nclients = 2\nidle_s = 0.3"))
    with listeners as running, running.connect() as silent, running.connect() as slow:
        assert not send_until_closed(slow, b"x", 10), "there was room, nobody had to go"
        with running.connect() as one, running.connect() as other:
            one.sendall(f"{record(1)}\n".encode())
            running.until_lines(2)
            other.sendall(f"{record(2)}\n".encode())
            running.until_lines(3)
            assert running.row().clients == 2
            assert send_until_closed(silent, b"", 20)
            assert send_until_closed(slow, b"", 20)
    half, first, second = sorted(spooled(tmp_path))
    assert (first, second) == (record(1), record(2))
    assert half.startswith("\0[taktbook: the client was disconnected after 0.3 s without a whole line, within")


def test_a_listener_stops_though_its_clients_go_on_sending_and_the_disk_is_full(tmp_path, monkeypatch):
    monkeypatch.setattr("ingest.feeds.intake.AGAIN_S", 0.05)
    with listening(receiving(tmp_path)) as running, running.connect() as client, monkeypatch.context() as full:

        def write(*_):
            raise OSError(errno.ENOSPC, "No space left on device")

        full.setattr(os, "write", write)
        assert send_until_closed(client, record(1).encode() + b"\n", 3) is False
        client.settimeout(0.5)
        with pytest.raises(TimeoutError):
            client.sendall(b"x\n" * (30 << 20))
        running.listeners.stop()
        assert send_until_closed(client, b"x", 20)
    assert "bytes that waited for the spool were not written" in running.told[-1]


def test_binary_garbage_is_quarantined_line_by_line_and_the_lines_around_it_count(tmp_path):
    garbage = bytes(range(256)) * 40 + b"\n"
    with listening(receiving(tmp_path)) as running:
        running.send(b"\xff\xfeB\x00I\x00N\x00\n" + garbage + record(1).encode() + b"\n" + garbage)
        until(lambda: running.row().lines >= 83)
    summary, store = loaded(tmp_path)
    assert not summary.refused
    assert list(all_events(store)["part"]) == ["P1"]
    assert summary.total("lines") == summary.total("quarantined") + 1 == 84


def test_a_line_without_end_is_cut_off_and_counted(tmp_path):
    with listening(receiving(tmp_path)) as running:
        running.send(b"x" * (3 << 20) + b"\n" + record(1).encode() + b"\n")
        assert running.until_lines(2)[1] == record(1)
        assert running.row().cut == 1
    _, store = loaded(tmp_path)
    assert reasons(store) == [(1, "line contains NUL bytes")]
    assert store.quarantine()["text"][0].startswith("[taktbook: a line of 3,145,728 bytes was cut off] xxx")


def test_a_port_in_use_is_told_with_source_and_key_and_the_others_go_on(tmp_path):
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
        receiving(tmp_path, f'by = "tcp"\naddress = "127.0.0.1:{port}"', name="taken")
        with listening(receiving(tmp_path, name="wire")) as running:
            assert len(running.problems) == 1
            assert running.problems[0].startswith("sources/taken.toml, receive.address: It cannot listen there:")
            assert f"found:   127.0.0.1:{port}" in running.problems[0]
            assert running.row("taken").state == "does not listen"
            running.send(f"{record(1)}\n")
            assert running.until_lines(1) == [record(1)]


@pytest.mark.parametrize(
    ("address", "state"),
    [
        ("0", "listens on 127.0.0.1:{port}"),
        ("localhost:0", "listens on localhost:{port}"),
        ("0.0.0.0:0", "listens on 0.0.0.0:{port}: reachable from the network, without authentication"),
    ],
)
def test_a_listener_says_where_it_listens_and_who_can_reach_it(address, state, tmp_path):
    with listening(receiving(tmp_path, f'by = "tcp"\naddress = "{address}"')) as running:
        row = running.row()
        assert row.state == state.format(port=row.address.rpartition(":")[2])
    assert running.row().state == "stopped"


def test_while_the_disk_is_full_senders_wait_and_nothing_is_lost(tmp_path, monkeypatch):
    full, real = [True], os.write

    def write(handle, data):
        if full[0]:
            raise OSError(errno.ENOSPC, "No space left on device")
        return real(handle, data)

    much = [record(n) + " " * 1000 for n in range(30_000)]  # about 30 MB, far more than is held in memory
    with listening(receiving(tmp_path)) as running:
        with running.connect() as client:
            client.sendall(f"{record(0)}\n".encode())
            running.until_lines(1)
            monkeypatch.setattr(os, "write", write)
            client.settimeout(1.5)
            data = "".join(f"{line}\n" for line in much).encode()
            sent = 0
            try:
                while sent < len(data):
                    sent += client.send(data[sent : sent + 65536])
            except TimeoutError:
                pass
            assert sent < len(data), "the sender was not held back"
            until(lambda: "No space left" in running.row().problem)
            full[0] = False
            client.settimeout(20)
            client.sendall(data[sent:])
        running.until_lines(len(much) + 1)
        until(lambda: running.row().problem == "")
    assert spooled(tmp_path) == [record(0), *much]
    assert any("the spool cannot be written: No space left on device" in line for line in running.told)
    assert any("the spool can be written again" in line for line in running.told)
