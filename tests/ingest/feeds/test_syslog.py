"""Syslog over TCP and UDP, from the socket to the event. The sample messages are those of RFC 5424, section 6.5."""

from __future__ import annotations

import shutil
import socket
import ssl
import subprocess

import pytest

from tests.ingest.feeds.listening import Running, listening, receiving, send_until_closed, spooled, until
from tests.ingest.plants import all_events, loaded

SYSLOG = 'by = "syslog"\naddress = "127.0.0.1:0"'

MAPPING = r"""
    cell = "c1"
    format = "text"

    [receive]
    RECEIVE

    [time]
    formats = ["iso8601"]

    [read.patterns]
    alarm = '^<\d+>1 (?P<time>\S+) (?P<host>\S+) \S+ \S+ (?P<code>\S+) \S+ (?P<text>.*)$'

    [[rules]]
    emit = [{ kind = "alarm_on", station = "{host}", code = "{code}", text = "{text}" }]
"""

MESSAGES = [
    "<34>1 2003-10-11T22:14:15.003Z mymachine.example.com su - ID47 - 'su root' failed for lonvick on /dev/pts/8",
    "<165>1 2003-08-24T05:14:15.000003-07:00 192.0.2.1 myproc 8710 - - %% It's time to make the do-nuts.",
]


def plant_with(folder, receive=SYSLOG):
    return receiving(folder, receive, MAPPING)


def send_datagrams(running: Running, *messages: bytes) -> None:
    host, _, port = running.row().address.rpartition(":")
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sender:
        for message in messages:
            sender.sendto(message, (host, int(port)))


def test_messages_come_with_octet_counting_by_line_and_by_datagram(tmp_path):
    first, second = (m.encode() for m in MESSAGES)
    with listening(plant_with(tmp_path)) as running:
        running.send(b"%d %b%d %b" % (len(first), first, len(second), second))
        running.until_lines(2)
        running.send(first + b"\n" + second + b"\n")
        running.until_lines(4)
        send_datagrams(running, first, second + b"\n")
        assert running.until_lines(6) == MESSAGES * 3
        assert running.row().state.startswith("listens on 127.0.0.1:")
    _, store = loaded(tmp_path)
    assert set(all_events(store)["station"]) == {"mymachine.example.com", "192.0.2.1"}
    assert set(all_events(store)["code"]) == {"ID47", "-"}


def test_a_message_of_several_lines_is_one_line_of_the_log(tmp_path):
    message = MESSAGES[0].encode() + b"\n  at line 2\n  at line 3"
    with listening(plant_with(tmp_path)) as running:
        running.send(b"%d %b" % (len(message), message))
        running.until_lines(1)
        send_datagrams(running, message)
        assert running.until_lines(2) == [f"{MESSAGES[0]}#012  at line 2#012  at line 3"] * 2


def test_a_message_of_one_gigabyte_is_refused_before_it_comes(tmp_path):
    with listening(plant_with(tmp_path)) as running:
        with running.connect() as client:
            client.sendall(b"1073741824 <34>1 2003-10-11T22:14:15.003Z host app - - - xxxxx")
            assert send_until_closed(client, b"x" * 65536, 100)
        running.until_lines(1)
        assert running.row().refused == 1
        assert running.row().clients == 0
        running.send(MESSAGES[0] + "\n")
        running.until_lines(2)
    reason = "a message of 1,073,741,824 bytes was announced, at most 1,048,576 are taken"
    assert running.told == [f"wire: {reason}; the connection was closed"]
    _, store = loaded(tmp_path)
    assert store.quarantine()["text"][0].startswith(f"[taktbook: {reason}] <34>1 2003-10-11T22:14:15.003Z host app")
    assert all_events(store).height == 1


def test_one_transport_alone_can_be_listened_on(tmp_path):
    with listening(plant_with(tmp_path, SYSLOG + '\ntransports = ["udp"]')) as running:
        assert running.row().state.endswith("(UDP)")
        with pytest.raises(ConnectionRefusedError):
            running.connect()
        send_datagrams(running, MESSAGES[0].encode(), b"\0\xff garbage", b"")
        assert running.until_lines(2) == [MESSAGES[0], "#000\ufffd garbage"]


def test_datagrams_that_find_no_room_are_counted_and_told_of(tmp_path, monkeypatch):
    monkeypatch.setattr("ingest.feeds.intake.MOST_HELD", 0)
    with listening(plant_with(tmp_path)) as running:
        send_datagrams(running, MESSAGES[0].encode())
        until(lambda: running.row().refused == 1)
    assert running.told == ["wire: a datagram was lost: too many wait for the spool"]


@pytest.fixture
def certificate(tmp_path):
    if not shutil.which("openssl"):
        pytest.skip("openssl is not installed")
    command = "openssl req -x509 -newkey ec -pkeyopt ec_paramgen_curve:P-256 -nodes -days 2 -subj /CN=localhost"
    names = ["-addext", "subjectAltName=IP:127.0.0.1", "-keyout", "key.pem", "-out", "cert.pem"]
    subprocess.run([*command.split(), *names], cwd=tmp_path, check=True, capture_output=True)
    return tmp_path / "cert.pem"


def test_messages_come_over_tls(tmp_path, certificate):
    options = '\ntransports = ["tcp"]\ncert_file = "cert.pem"\nkey_file = "key.pem"'
    with listening(plant_with(tmp_path, SYSLOG + options)) as running:
        assert running.row().state.endswith("(TLS)")
        running.send("no handshake\n")
        context = ssl.create_default_context(cafile=str(certificate))
        with running.connect() as plain, context.wrap_socket(plain, server_hostname="127.0.0.1") as client:
            client.sendall(MESSAGES[0].encode() + b"\n")
            assert running.until_lines(1) == [MESSAGES[0]]
    assert spooled(tmp_path) == [MESSAGES[0]]


def test_a_certificate_that_is_missing_is_told_with_its_key(tmp_path):
    with listening(plant_with(tmp_path, SYSLOG + '\ntransports = ["tcp"]\ncert_file = "none.pem"')) as running:
        assert running.problems[0].startswith("sources/wire.toml, receive.cert_file: The certificate or its key cannot")
