"""An MQTT subscriber against a real broker: from message to event, and nothing acknowledged that is not kept."""

from __future__ import annotations

import errno
import json
import os
from collections.abc import Iterator
from datetime import UTC, datetime

import pytest

from ingest.feeds.clean import LONGEST
from ingest.feeds.mqtt import line_of
from tests.ingest.feeds.broker import Broker
from tests.ingest.feeds.listening import Running, listening, receiving, spooled, until
from tests.ingest.plants import all_events, loaded, reasons

MAPPING = """
    cell = "c1"
    format = "json_lines"

    [receive]
    RECEIVE

    [time]
    field = "received"
    formats = ["iso8601"]

    [[rules]]
    when = { topic = { matches = '^c1/(?P<who>\\w+)/count$' } }
    emit = [{ kind = "count", station = "{who}", value = "{payload.n}" }]
"""

SECRET = "hush-Pa55"


def receive(broker: Broker, *more: str) -> str:
    return "\n".join(['by = "mqtt"', f'address = "{broker.address}"', 'topics = ["c1/+/count", "text/#"]', *more])


def subscribed(running: Running) -> bool:
    return running.row().state.startswith("subscribed")


@pytest.fixture
def broker(tmp_path) -> Iterator[Broker]:
    broker = Broker(tmp_path / "broker")
    yield broker
    broker.stop()


@pytest.fixture
def guarded(tmp_path) -> Iterator[Broker]:
    broker = Broker(tmp_path / "broker", "reader", SECRET)
    yield broker
    broker.stop()


def test_messages_become_lines_of_json_and_events(tmp_path, broker):
    broker.publish("c1/bowl2/count", '{"n": 1}', retain=True)
    with listening(receiving(tmp_path / "plant", receive(broker), MAPPING)) as running:
        until(lambda: running.row().lines == 1)
        broker.publish("c1/bowl1/count", '{"n": 17,\n "of": 1.10}')
        broker.publish("c2/bowl1/count", '{"n": 18}')
        broker.publish("text/deep/down", "door open", qos=0)
        lines = [json.loads(line) for line in running.until_lines(3)]
    received = [datetime.fromisoformat(line.pop("received")) for line in lines]
    assert received == sorted(received)
    assert lines == [
        {"topic": "c1/bowl2/count", "retained": True, "qos": 1, "payload": {"n": 1}},
        {"topic": "c1/bowl1/count", "retained": False, "qos": 1, "payload": {"n": 17, "of": 1.1}},
        {"topic": "text/deep/down", "retained": False, "qos": 0, "payload": "door open"},
    ]
    _, store = loaded(tmp_path / "plant")
    assert list(all_events(store).select("station", "value").iter_rows()) == [("bowl2", 1.0), ("bowl1", 17.0)]
    assert reasons(store) == [(3, "no rule fits this record")]


def test_three_thousand_messages_come_once_each_and_in_their_order(tmp_path, broker):
    with listening(receiving(tmp_path / "plant", receive(broker), MAPPING)) as running:
        until(lambda: subscribed(running))
        broker.publish("c1/bowl1/count", *(f'{{"n": {n}}}' for n in range(3000)))
        lines = running.until_lines(3000)
    assert [json.loads(line)["payload"]["n"] for line in lines] == list(range(3000))


def test_what_is_published_while_nobody_listens_comes_later(tmp_path, broker):
    plant = receiving(tmp_path / "plant", receive(broker), MAPPING)
    with listening(plant) as running:
        until(lambda: subscribed(running))
    broker.publish("c1/bowl1/count", '{"n": 1}', '{"n": 2}')
    with listening(plant) as running:
        assert len(running.until_lines(2)) == 2


def test_the_broker_may_restart_in_the_middle(tmp_path, broker):
    with listening(receiving(tmp_path / "plant", receive(broker), MAPPING)) as running:
        until(lambda: subscribed(running))
        broker.publish("c1/bowl1/count", '{"n": 1}')
        running.until_lines(1)
        broker.stop()
        until(lambda: running.row().state == "connects")
        assert running.row().problem != ""
        broker.start()
        broker.publish("c1/bowl1/count", '{"n": 2}')
        lines = running.until_lines(2)
        until(lambda: subscribed(running))
        assert running.row().problem == ""
    assert [json.loads(line)["payload"]["n"] for line in lines] == [1, 2]


def test_a_broker_that_is_not_there_yet_is_waited_for(tmp_path, broker):
    broker.stop()
    with listening(receiving(tmp_path / "plant", receive(broker), MAPPING)) as running:
        until(lambda: running.row().problem == "the broker cannot be reached; it is tried again")
        broker.start()
        until(lambda: subscribed(running))
        broker.publish("c1/bowl1/count", '{"n": 1}')
        running.until_lines(1)


def test_a_message_that_did_not_reach_the_disk_is_sent_again(tmp_path, broker, monkeypatch):
    plant = receiving(tmp_path / "plant", receive(broker), MAPPING)
    monkeypatch.setattr("ingest.feeds.intake.AGAIN_S", 0.05)
    with monkeypatch.context() as full, listening(plant) as running:

        def write(*_):
            raise OSError(errno.ENOSPC, "No space left on device")

        until(lambda: subscribed(running))
        full.setattr(os, "write", write)
        broker.publish("c1/bowl1/count", '{"n": 1}', '{"n": 2}')
        until(lambda: running.row().lines == 2 and running.row().problem)
        running.listeners.stop()  # as a crash would: they were never kept
        assert spooled(plant) == []
    assert any("were not written" in line for line in running.told)
    with listening(plant) as running:
        lines = running.until_lines(2)
    assert sorted(json.loads(line)["payload"]["n"] for line in lines) == [1, 2]


def test_a_password_from_the_environment_or_a_file_opens_the_broker(tmp_path, guarded, monkeypatch):
    monkeypatch.setenv("TAKTBOOK_TEST_PW", SECRET)
    for n, key in enumerate(['password_env = "TAKTBOOK_TEST_PW"', 'password_file = "secret.txt"']):
        plant = receiving(tmp_path / f"plant{n}", receive(guarded, 'user = "reader"', key), MAPPING)
        (plant / "secret.txt").write_text(SECRET + "\n")
        (plant / "secret.txt").chmod(0o600)
        with listening(plant) as running:
            until(lambda running=running: subscribed(running))


@pytest.mark.parametrize("wrong", ["wrong-Pa55", ""])
def test_a_wrong_password_is_told_and_never_shown(wrong, tmp_path, guarded, monkeypatch):
    monkeypatch.setenv("TAKTBOOK_TEST_PW", wrong)
    settings = receive(guarded, 'user = "reader"', 'password_env = "TAKTBOOK_TEST_PW"')
    with listening(receiving(tmp_path / "plant", settings, MAPPING)) as running:
        until(lambda: running.row().state == "refused by the broker")
        row = running.row()
    assert row.problem.startswith("the broker refuses the connection: Not authorized")
    assert running.told[0] == f"wire: {row.problem}"
    assert not wrong or wrong not in f"{running.told} {row}"


@pytest.mark.skipif(os.name != "posix", reason="modes of files are POSIX")
def test_a_password_file_that_others_can_read_is_refused_and_the_other_listeners_go_on(tmp_path, broker):
    plant = receiving(tmp_path / "plant", receive(broker), MAPPING, name="open")
    settings = receive(broker, 'user = "reader"', 'password_file = "secret.txt"')
    receiving(plant, settings, MAPPING)
    (plant / "secret.txt").write_text(SECRET)
    (plant / "secret.txt").chmod(0o644)
    with listening(plant) as running:
        (told,) = running.problems
        until(lambda: running.row("open").state.startswith("subscribed"))
    assert told.startswith("sources/wire.toml, receive.password_file: The password's file can be read by others.")
    assert "chmod 600 secret.txt" in told
    assert SECRET not in told


def test_a_password_that_is_nowhere_is_told_with_its_variable(tmp_path, broker, monkeypatch):
    monkeypatch.delenv("TAKTBOOK_TEST_PW", raising=False)
    settings = receive(broker, 'user = "reader"', 'password_env = "TAKTBOOK_TEST_PW"')
    with listening(receiving(tmp_path / "plant", settings, MAPPING)) as running:
        assert "found:   TAKTBOOK_TEST_PW" in running.problems[0]


# ---- one message, one line

AT = datetime(2026, 10, 23, 4, 0, tzinfo=UTC)
FRONT = '{"received": "2026-10-23T04:00:00.000000Z", "topic": "t", "retained": false, "qos": 1, '


@pytest.mark.parametrize(
    ("payload", "told"),
    [
        (b'{"a": 1e400,\r\n\t"b": "x\\n"}', '"payload": {"a": 1e400,   "b": "x\\n"}}'),
        (b"12.50", '"payload": 12.50}'),
        (b"NaN", '"payload": "NaN"}'),
        (b'{"half": ', '"payload": "{\\"half\\": "}'),
        (b"[" * 100_000, '"payload": "' + "[" * 100_000 + '"}'),
        ("Tür\n\x1b".encode(), '"payload": "Tür\\n\\u001b"}'),
        (b"", '"payload": ""}'),
        (b"\xff\x00", '"payload_base64": "/wA="}'),
    ],
)
def test_a_payload_is_json_text_or_base64(payload, told):
    assert line_of("t", payload, 1, False, AT).decode() == FRONT + told


def test_a_payload_that_is_too_long_is_cut_off_and_quarantined(tmp_path):
    line = line_of("t", b"x" * (LONGEST + 1), 1, False, AT)
    assert line.startswith(b'\0[taktbook: a payload of 1,048,577 bytes was cut off] {"received"')
    assert len(line) < 500
