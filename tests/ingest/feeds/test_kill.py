"""A process that listens is killed at any moment: what it called kept is there, once, and can be loaded."""

from __future__ import annotations

import random
import socket
import subprocess

import pytest

from ingest.feeds.spool import spool_folder
from tests.ingest.feeds.broker import Broker
from tests.ingest.feeds.listening import TCP, listening, receiving, record, spooled, until
from tests.ingest.plants import all_events, loaded

LISTENER = """
import sys, time
from pathlib import Path
from ingest.feeds.run import Listeners
from ingest.feeds.spool import Spool
from ingest.plant_folder import read_plant_folder
from ingest.source import load_sources

commit, kept = Spool.commit, [0]

def counted(spool):
    due = spool._due.count(b"\\n")
    commit(spool)
    kept[0] += due
    print(kept[0], flush=True)

Spool.commit = counted
plant = Path(sys.argv[1])
listeners = Listeners(read_plant_folder(plant), load_sources(plant / "sources"), print)
listeners.start()
print(listeners.status()[0].address, flush=True)
time.sleep(600)
"""


def send_until_killed(client: socket.socket, process: subprocess.Popen[str], first: int, at: int) -> int:
    """Send lines without end, and kill the process when it has kept `at` of them; returns how many were sent."""
    sent = first
    assert process.stdout is not None
    while True:
        client.sendall("".join(f"{record(n)}\n" for n in range(sent, sent + 50)).encode())
        sent += 50
        if sent - first >= at:
            process.kill()
            return sent


@pytest.mark.parametrize("seed", range(3))
def test_lines_that_were_kept_when_the_process_was_killed_are_there_once(seed, tmp_path, python):
    rolls = random.Random(seed)
    receiving(tmp_path, TCP)
    sent, kept_in_all = 0, 0
    for _ in range(3):
        with subprocess.Popen([python, "-c", LISTENER, tmp_path], stdout=subprocess.PIPE, text=True) as process:
            assert process.stdout is not None
            host, _, port = process.stdout.readline().strip().rpartition(":")
            with socket.create_connection((host, int(port)), timeout=20) as client:
                client.sendall(f"{record(sent)}\n".encode())
                kept = int(process.stdout.readline())
                sent = send_until_killed(client, process, sent + 1, rolls.randrange(100, 20_000))
            told = [int(line) for line in process.stdout.read().split() if line.isdigit()]
            kept_in_all += max([kept, *told])
        loaded(tmp_path)
        whole = [line for line in spooled(tmp_path) if "\0" not in line]
        assert len(whole) >= kept_in_all
        assert len(set(whole)) == len(whole)
    parts = list(all_events(loaded(tmp_path)[1])["part"])
    assert len(parts) == len(set(parts)) == len(whole)
    assert set(parts) <= {f"P{n}" for n in range(sent)}


def test_messages_of_a_broker_that_a_killed_process_had_not_kept_come_again(tmp_path, python):
    broker = Broker(tmp_path / "broker")
    try:
        settings = f'by = "mqtt"\naddress = "{broker.address}"\ntopics = ["lines"]'
        plant = receiving(tmp_path / "plant", settings)
        with subprocess.Popen([python, "-c", LISTENER, plant], stdout=subprocess.PIPE, text=True) as process:
            assert process.stdout is not None
            process.stdout.readline()
            broker.publish("lines", "first", retain=True)
            until(lambda: spooled(plant))
            broker.publish("lines", *(str(n) for n in range(500)))
            process.kill()
        with listening(plant) as running:
            until(lambda: len({line.rpartition(":")[2] for line in spooled(plant)}) >= 501)
            assert running.row().cut == 0
    finally:
        broker.stop()
    assert len(list(spool_folder(plant, "wire").iterdir())) == 2
