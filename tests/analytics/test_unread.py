"""Lines that were not understood, by kind: what a new pattern would answer first."""

from __future__ import annotations

from pathlib import Path

import polars as pl
import pytest

from analytics import unread as module
from analytics.unread import UNREAD, unread
from ingest.load import load
from ingest.store import Store
from tests.ingest.plants import plant

LOG = """
    2026-10-20 06:00:00 PRS begin P1
    !! axis 3 homed in 12.5 s
    !! axis 7 homed in 9 s
    2026-10-20 06:00:09 PRS end P1
    ?? "left door" opened
    !! axis 1 homed in 11 s
    ?? "rear door" opened
    2026-10-20 06:00:09 PRS polishes P1
    2026-13-20 06:00:11 PRS begin P2
    2026-14-20 06:00:12 PRS begin P3
"""


@pytest.fixture
def store(tmp_path: Path) -> Store:
    folder = plant(tmp_path / "p", {"inbox/a.log": LOG})
    load(folder)
    return Store.open(folder / "store")


def test_lines_that_differ_in_numbers_and_quoted_words_are_one_kind_most_frequent_first(store):
    found = unread(store)
    assert found.schema == pl.Schema(UNREAD)
    assert found.select("n", "template", "line").rows() == [
        (3, "!! axis … homed in … s", 2),
        (2, "?? … opened", 5),
        (2, "… … PRS begin …", 9),
        (1, "… … PRS polishes …", 8),
    ]


def test_the_first_of_a_kind_is_shown_with_its_reason_and_place(store):
    first = unread(store).row(0, named=True)
    assert (first["source"], first["file"], first["text"]) == ("log", "inbox/a.log", "!! axis 3 homed in 12.5 s")
    assert first["reason"] == "no rule fits this record"


def test_reasons_that_quote_different_words_are_one_reason(store):
    times = unread(store).filter(pl.col("reason").str.starts_with("time"))
    assert times["n"].to_list() == [2]
    assert times["reason"].to_list() == ["time '2026-13-20 06:00:11' fits none of the formats"]


def test_every_line_of_the_quarantine_is_in_one_kind(store):
    assert unread(store)["n"].sum() == store.quarantine().height == 8


def test_a_long_quarantine_is_grouped_in_pieces_with_the_same_result(store, monkeypatch):
    whole = unread(store)
    monkeypatch.setattr(module, "BATCH", 3)
    assert unread(store).equals(whole)


def test_an_empty_quarantine_has_no_kinds(tmp_path):
    folder = plant(tmp_path / "p", {"inbox/a.log": "2026-10-20 06:00:00 PRS begin P1\n"})
    load(folder)
    assert unread(Store.open(folder / "store")).equals(pl.DataFrame(schema=UNREAD))
