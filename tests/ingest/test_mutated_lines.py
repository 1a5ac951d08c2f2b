"""A hundred thousand damaged lines per format: no line is lost, none is counted twice, and no whole line suffers."""

from __future__ import annotations

import tomllib
from random import Random

import pytest

from ingest.formats import FORMATS, Format
from ingest.load import load
from ingest.store import Store
from tests.ingest.mutate_lines import mutated_log
from tests.ingest.plants import all_events, plant

LINES = 100_000
FORMATS_OF_LINES = [module for module in FORMATS if module.LINES]


@pytest.mark.parametrize("module", FORMATS_OF_LINES, ids=lambda module: module.NAME)
def test_of_100_000_damaged_lines_none_is_lost_and_whole_ones_are_read(module: Format, tmp_path):
    sample = module.SAMPLE if isinstance(module.SAMPLE, bytes) else module.SAMPLE.encode()
    header, lines = b"", sample.splitlines()
    if tomllib.loads(module.SAMPLE_SOURCE).get("read", {}).get("header") is True:
        header, lines = lines[0] + b"\n", lines[1:]
    # a file whose first 4 KiB are damaged may be refused as no text at all
    front = header + b"".join(line + b"\n" for line in lines * (1 + 5000 // sum(map(len, lines))))
    data, whole = mutated_log(Random(module.NAME), lines, front, LINES)
    file = tomllib.loads(module.SAMPLE_SOURCE)["files"][0].replace("*", "")

    summary = load(plant(tmp_path, {file: data}, module.SAMPLE_SOURCE))

    assert summary.refused == ()
    lines_n = data.count(b"\n") + (not data.endswith(b"\n"))
    assert summary.total("lines") == lines_n
    assert lines_n == sum(summary.total(count) for count in ("with_events", "skipped", "quarantined"))
    store = Store.open(tmp_path / "store")
    with_events = set(all_events(store)["line"])
    quarantined = store.quarantine()["line"].to_list()
    assert len(with_events) == summary.total("with_events")
    assert len(quarantined) == len(set(quarantined)) == summary.total("quarantined")
    assert not with_events & set(quarantined)
    assert max(with_events | set(quarantined)) <= lines_n
    begins = header.count(b"\n") + 1
    gives = {n for n in range(len(lines)) if n + begins in with_events}  # lines of the sample that give events
    assert gives
    assert {number for number, index in whole.items() if index in gives} <= with_events
    assert not set(whole) & set(quarantined)
