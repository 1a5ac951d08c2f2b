"""XES logs (IEEE 1849)."""

from __future__ import annotations

import gzip

import pytest

from ingest.errors import InputError
from ingest.formats import xes
from tests.ingest.documents import read
from tests.ingest.mutate import mutations
from tests.ingest.plants import all_events, loaded, plant
from tests.ingest.xml_attacks import ATTACKS

EVENT = (
    '<event><string key="concept:name" value="{}"/><date key="time:timestamp" value="2026-10-23T06:00:{:02}Z"/></event>'
)


def of(folder, text, *fields):
    path = folder / "a.xes"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    rows, bad, skipped = read(xes, path, list(fields))
    assert (bad, skipped) == ([], 0)
    return [tuple(row[f] for f in fields) for row in rows]


def test_start_and_complete_become_a_cycle_and_attributes_its_measurement(tmp_path):
    _, store = loaded(plant(tmp_path, {"inbox/history/a.xes": xes.SAMPLE}, xes.SAMPLE_SOURCE, name="history"))
    told = all_events(store).select("kind", "station", "part", "product", "value", "unit", "line").rows()
    assert told == [
        ("cycle_start", "press", "P204", "aqua", None, None, 1),
        ("cycle_end", "press", "P204", "aqua", None, None, 2),
        ("measurement", "press", "P204", "aqua", 12.5, "kN", 2),
    ]


def test_suspend_and_resume_are_states(tmp_path):
    log = xes.SAMPLE.replace('"start"', '"suspend"').replace('"complete"', '"resume"')
    _, store = loaded(plant(tmp_path, {"inbox/history/a.xes": log}, xes.SAMPLE_SOURCE, name="history"))
    assert all_events(store).select("kind", "state").rows() == [("state", "idle"), ("state", "running")]


def test_attributes_lie_within_attributes_and_in_lists(tmp_path):
    log = """<log><trace>
        <list key="tags"><values><string key="color" value="red"/><int key="n" value="3"/></values></list>
        <event><container key="c"><boolean key="ok" value="true"/></container>
        <string key="a" value="1"><string key="b:c" value="2"><string key="d" value="3"/></string></string>
        <string key="a" value="again"/></event></trace></log>"""
    fields = ("a", "a.b_c", "a.b_c.d", "c.ok", "trace.tags.color", "trace.tags.n")
    assert of(tmp_path, log, *fields) == [("1", "2", "3", "true", "red", "3")]


def test_an_attribute_that_is_called_line_does_not_hide_the_number_of_the_record(tmp_path):
    log = '<log><event><string key="line" value="L3"/></event></log>'
    assert of(tmp_path, log, "line_") == [("L3",)]


def test_globals_hold_for_events_and_traces_without_them_but_never_for_the_time(tmp_path):
    log = """<log>
        <global scope="trace"><string key="product" value="any"/></global>
        <global scope="event"><string key="org:resource" value="nobody"/>
        <date key="time:timestamp" value="2000-01-01T00:00:00Z"/></global>
        <trace><string key="product" value="aqua"/><event><string key="org:resource" value="PRS1"/></event></trace>
        <trace><event/></trace></log>"""
    fields = ("trace.product", "org_resource", "time_timestamp")
    assert of(tmp_path, log, *fields) == [("aqua", "PRS1", None), ("any", "nobody", None)]


def test_events_may_stand_outside_of_traces(tmp_path):
    one = EVENT.format("x", 1)
    log = f'<log><trace><string key="concept:name" value="T1"/>{one}</trace>{one}</log>'
    assert of(tmp_path, log, "concept_name", "trace.concept_name") == [("x", "T1"), ("x", None)]


def test_order_is_that_of_the_document_and_large_logs_come_in_blocks(tmp_path):
    traces = "".join(
        f'<trace><string key="concept:name" value="T{n}"/>{EVENT.format("a", 1)}{EVENT.format("b", 2)}</trace>'
        for n in range(26_000)
    )
    rows = of(tmp_path, f"<log>{traces}</log>", "trace.concept_name", "concept_name")
    assert rows == [(f"T{n}", name) for n in range(26_000) for name in "ab"]


def test_a_compressed_log_is_read(tmp_path):
    assert len(of(tmp_path, gzip.compress(xes.SAMPLE.encode()), "concept_name")) == 2


def test_an_event_of_very_many_attributes_is_quarantined(tmp_path):
    many = "".join(f'<string key="k{n}" value="1"/>' for n in range(5000))
    path = tmp_path / "a.xes"
    path.write_text(f"<log><event>{many}</event>{EVENT.format('x', 1)}</log>", encoding="utf-8")
    rows, bad, _ = read(xes, path, ["concept_name"])
    assert ([r["concept_name"] for r in rows], [n for n, _, _ in bad]) == (["x"], [1])


@pytest.mark.parametrize(
    ("content", "told"),
    [
        (xes.SAMPLE[:-20], "the document is not complete"),
        (xes.SAMPLE.replace("</trace>", ""), "mismatched tag"),
        ("<html><body/></html>", "This is no XES log"),
        ("just text", "there is no <log> in it"),
        ("<log/><log/>", "Behind the log there is something else"),
        (xes.SAMPLE.replace("UTF-8", "klingon"), "cannot be read"),
        ("<log>" + "<x>" * 500, "deep"),
        ("<log><event><event/></event></log>", "an event lies within an event"),
    ],
)
def test_what_is_no_whole_log_is_refused_with_its_reason(tmp_path, content, told):
    with pytest.raises(InputError, match=told):
        of(tmp_path, content, "concept_name")


@pytest.mark.parametrize("attack", ATTACKS, ids=str)
def test_attacks_are_refused(tmp_path, attack):
    with pytest.raises(InputError, match="DOCTYPE"):
        of(tmp_path, ATTACKS[attack].replace("ROOT", "log"), "concept_name")


def test_mutated_logs_are_read_or_refused(tmp_path):
    path = tmp_path / "a.xes"
    refused = []
    for content in mutations(xes.SAMPLE.encode(), 2000):
        path.write_bytes(content)
        try:
            read(xes, path, ["concept_name", "time_timestamp", "trace.concept_name", "force.unit"])
        except InputError as err:
            refused.append(err.problem.where.partition(",")[0])
    assert 0 < len(refused) < 2000
    assert set(refused) == {"a.xes"}
