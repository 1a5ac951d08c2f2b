"""From an event back to what stands in its log, whatever the log is."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from ingest import formats
from ingest.excerpt import excerpt
from ingest.formats import mtconnect, mtconnect_adapter, sqlite, text, xes
from ingest.load import load
from ingest.store import Store
from tests.ingest.plants import all_events
from tests.ingest.test_formats import sample_plant


def around(folder: Path, module: formats.Format, kind: str, n: int = 0) -> dict[int, str]:
    """The excerpt around the first event of a kind."""
    load(sample_plant(folder, module))
    [event] = all_events(Store.open(folder / "store")).filter(kind=kind).head(1).to_dicts()
    return dict(excerpt(folder, event["file"], event["line"], n).iter_rows())


@pytest.mark.parametrize(
    ("module", "kind", "told"),
    [
        (text, "state", {2: "23.10.2026 06:00:04,250 [18] ROB1 WAIT for PRS1"}),
        (mtconnect_adapter, "alarm_on", {6: "2026-10-23T04:00:07.000Z|sys|FAULT|P104|2||clamp not closed"}),
    ],
)
def test_lines_are_shown_as_they_stand(tmp_path, module, kind, told):
    assert around(tmp_path, module, kind) == told


def test_a_record_of_a_document_or_table_is_told_with_its_fields(tmp_path):
    [(number, told)] = around(tmp_path / "a", mtconnect, "alarm_on").items()
    record = json.loads(told)
    assert (number, record["native_code"], record["value"]) == (8, "P104", "clamp not closed")
    assert None not in record.values()
    [(number, told)] = around(tmp_path / "b", xes, "measurement").items()
    assert (number, json.loads(told)["force"]) == (2, "12.5")
    rows = around(tmp_path / "c", sqlite, "order_start", n=3)
    assert [json.loads(told)["order_no"] for told in rows.values()] == ["A17", "A18"]


def test_a_damaged_document_has_its_place_among_the_records(tmp_path):
    folder = sample_plant(tmp_path, mtconnect)
    [file] = (tmp_path / "inbox/mill").iterdir()
    whole = file.read_text(encoding="utf-8")
    file.write_text(whole + whole[:900], encoding="utf-8")
    load(folder)
    [bad] = Store.open(folder / "store").quarantine().to_dicts()
    shown = excerpt(folder, bad["file"], bad["line"], 2)
    assert shown["line"].to_list() == [bad["line"] - 2, bad["line"] - 1, bad["line"]]
    assert json.loads(shown["text"][1])["category"]
    assert shown["text"][2] == bad["text"]
