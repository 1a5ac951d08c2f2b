"""`[receive]` in source files: what it may say, and what is told when it says something else."""

from __future__ import annotations

import pytest

from ingest import feeds
from ingest.errors import ConfigError
from ingest.source import load_source
from tests.ingest.feeds.listening import MAPPING, TCP, receiving
from tests.ingest.plants import loaded


def source(folder, receive=TCP, mapping=MAPPING):
    receiving(folder, receive, mapping)
    return load_source(folder / "sources" / "wire.toml")


def told(folder, receive, mapping=MAPPING) -> str:
    with pytest.raises(ConfigError) as caught:
        source(folder, receive, mapping)
    return str(caught.value)


def test_a_source_that_receives_reads_its_spool_and_any_other_files_it_names(tmp_path):
    assert source(tmp_path).files == ("spool/wire/*",)
    named = MAPPING.replace('format = "text"', 'format = "text"\n    files = ["inbox/old/*"]')
    assert source(tmp_path, mapping=named).files == ("spool/wire/*", "inbox/old/*")


def test_where_lines_come_from_does_not_change_what_they_mean(tmp_path):
    one = source(tmp_path)
    other = source(tmp_path, 'by = "tcp"\naddress = "0.0.0.0:5141"\nclients = 2')
    assert one.fingerprint == other.fingerprint
    assert other.receive.clients == 2


def test_an_empty_spool_is_no_pattern_without_files(tmp_path):
    receiving(tmp_path)
    summary, _ = loaded(tmp_path)
    assert (summary.unmatched, summary.files) == ((), ())


def test_without_receive_the_files_must_be_named(tmp_path):
    mapping = MAPPING.replace("[receive]\n    RECEIVE", "")
    assert "files: key 'files' is missing" in told(tmp_path, "", mapping)


@pytest.mark.parametrize(
    ("receive", "message"),
    [
        ('address = "1"', "receive.by: key 'by' is missing"),
        ('by = "tpc"', "receive.by: nothing can be received in this way"),
        ('by = "tpc"', "did you mean 'tcp'?"),
        ('by = "tcp"', "receive.address: key 'address' is missing"),
        ('by = "tcp"\naddress = "nowhere"', 'do:      write "127.0.0.1:5140" (this machine alone)'),
        ('by = "tcp"\naddress = "127.0.0.1:70000"', "receive.address: this is no address"),
        ('by = "tcp"\naddress = "1"\nclient = 3', "receive.client: unknown key 'client'"),
        ('by = "tcp"\naddress = "1"\nclients = 0', "receive.clients: the value does not fit"),
        ('by = "syslog"\naddress = "1"\ntransports = ["tls"]', "allowed: tcp, udp"),
        ('by = "mqtt"\naddress = "1"\ntopics = []', "receive.topics: the value does not fit"),
        ('by = "mqtt"\naddress = "1"\ntopics = ["a/#/b"]', "receive.topics[1]: this is no topic"),
        ('by = "mqtt"\naddress = "1"\ntopics = ["a"]\npassword = "x"', "receive.password: unknown key 'password'"),
        ('by = "mqtt"\naddress = "1"\ntopics = ["a"]\npassword_env = "X"', "a password needs `user`"),
    ],
)
def test_a_fault_is_told_with_its_key_and_what_is_allowed(receive, message, tmp_path):
    assert message in told(tmp_path, receive)


def test_a_format_that_is_no_lines_cannot_be_received_line_by_line(tmp_path):
    message = told(tmp_path, TCP, MAPPING.replace('"text"', '"sqlite"').replace("[read.patterns]", "[other.patterns]"))
    assert "format: what comes by tcp cannot be read in this format" in message


def test_feeds_are_found_by_their_names_and_either_listen_or_pull():
    assert {"tcp", "syslog", "mqtt"} <= set(feeds.BY_NAME)
    for feed in feeds.FEEDS:
        assert isinstance(feed, feeds.ListeningFeed) != isinstance(feed, feeds.PullingFeed)
