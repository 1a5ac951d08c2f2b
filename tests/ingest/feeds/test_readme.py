"""What ingest/README.md says of feeds: each example is received as it stands there, and each key is named."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest

from ingest import feeds
from ingest.feeds import ListeningFeed
from tests.ingest.feeds.broker import Broker
from tests.ingest.feeds.listening import listening, until
from tests.ingest.plants import all_events, loaded, plant

README = Path(__file__).parents[3] / "ingest" / "README.md"
LISTENING = [feed.NAME for feed in feeds.FEEDS if isinstance(feed, ListeningFeed)]


def section(name: str) -> str:
    return README.read_text(encoding="utf-8").split(f"\n### by {name}\n")[1].split("\n## ")[0].split("\n### ")[0]


def example(name: str) -> tuple[str, str]:
    """Return what is sent and the source."""
    sent, source = re.findall(r"```\w+\n(.*?)```", section(name), re.DOTALL)
    return sent, source


@pytest.mark.parametrize("name", feeds.BY_NAME)
def test_the_readme_names_every_key_of_receive(name):
    for key in feeds.BY_NAME[name].Options.model_fields:
        assert f"`{key}`" in section(name), key


@pytest.mark.parametrize("name", [name for name in LISTENING if name != "mqtt"])
def test_the_lines_of_an_example_are_received_and_give_an_event_each(name, tmp_path):
    sent, source = example(name)
    address = re.search(r'address = "(.*?)"', source).group(1)
    assert address.startswith("127.0.0.1:")
    with listening(plant(tmp_path, {}, source.replace(address, "127.0.0.1:0"), name="wire")) as running:
        running.send(sent)
        running.until_lines(2)
    summary, store = loaded(tmp_path)
    assert (summary.total("events"), summary.total("quarantined"), all_events(store).height) == (2, 0, 2)


def test_the_messages_of_the_example_are_received_and_give_an_event_each(tmp_path):
    sent, source = example("mqtt")
    lines = [json.loads(line) for line in sent.splitlines()]
    broker = Broker(tmp_path / "broker")
    try:
        source = source.replace("127.0.0.1:1883", broker.address)
        with listening(plant(tmp_path / "plant", {}, source, name="wire")) as running:
            until(lambda: running.row().state.startswith("subscribed"))
            for line in lines:
                broker.publish(line["topic"], json.dumps(line["payload"]))
            written = [json.loads(line) for line in running.until_lines(2)]
    finally:
        broker.stop()
    assert [{**line, "received": ""} for line in written] == [{**line, "received": ""} for line in lines]
    summary, store = loaded(tmp_path / "plant")
    assert (summary.total("events"), summary.total("quarantined"), all_events(store).height) == (2, 0, 2)
