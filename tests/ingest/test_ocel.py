"""OCEL 2.0 logs in JSON."""

from __future__ import annotations

import json

import pytest

from ingest.errors import InputError
from ingest.formats import ocel
from tests.ingest.documents import read
from tests.ingest.mutate import mutations
from tests.ingest.plants import all_events, loaded, plant

LOG = json.loads(ocel.SAMPLE)


def of(folder, log, *fields):
    path = folder / "a.json"
    path.write_bytes(log if isinstance(log, bytes) else (log if isinstance(log, str) else json.dumps(log)).encode())
    rows, bad, skipped = read(ocel, path, list(fields))
    assert skipped == 0
    return [tuple(row[f] for f in fields) for row in rows], bad


def event(number=1, time="2026-10-23T06:00:00Z", **more):
    return {"id": f"e{number}", "type": "pressed", "time": time, **more}


def related(*pairs):
    return [{"objectId": name, "qualifier": qualifier} for name, qualifier in pairs]


def test_events_and_what_they_relate_to_become_cycles_and_measurements(tmp_path):
    _, store = loaded(plant(tmp_path, {"inbox/history/a.json": ocel.SAMPLE}, ocel.SAMPLE_SOURCE, name="history"))
    told = all_events(store).select("line", "kind", "station", "part", "product", "value").rows()
    assert told == [
        (1, "cycle_end", "press", "P204", "aqua", None), (1, "measurement", "press", "P204", None, 12.5),
        (2, "cycle_end", "press", "P205", None, None), (2, "measurement", "press", "P205", None, 12.9),
    ]  # fmt: skip


def test_an_attribute_of_an_object_is_that_of_the_time_of_the_event(tmp_path):
    values = [("2026-10-23T08:00:00+02:00", "late"), ("1970-01-01T00:00:00Z", "first"), ("2026-10-23T07:00:00", "last")]
    thing = {"id": "P1", "type": "part", "attributes": [{"name": "phase", "time": t, "value": v} for t, v in values]}
    times = ["2026-10-23T05:59:59Z", "2026-10-23T06:00:00Z", "2026-10-23T08:59:00+02:00", "2026-10-23T07:00:00Z"]
    events = [event(n, t, relationships=related(("P1", "x"))) for n, t in enumerate(times)]
    rows, _ = of(tmp_path, {"events": events, "objects": [thing]}, "part.phase")
    assert [phase for (phase,) in rows] == ["first", "late", "late", "last"]


def test_an_event_with_many_objects_is_one_record_and_relations_that_are_told_twice_count_once(tmp_path):
    things = [{"id": f"P{n}", "type": "part"} for n in range(3)] + [{"id": "T1", "type": "tray:big"}]
    pairs = [("P1", "out"), ("P1", "out"), ("P2", "in"), ("T1", "on"), ("gone", "lost")]
    log = {"objects": things, "events": [event(relationships=related(*pairs))]}
    fields = ("part", "tray_big", "qualifier.out", "qualifier.in", "qualifier.on", "qualifier.lost")
    assert of(tmp_path, log, *fields)[0] == [("P1", "T1", "P1", "P2", "T1", "gone")]


def test_an_attribute_whose_name_is_taken_has_attribute_before_it(tmp_path):
    attributes = [
        {"name": n, "value": v} for n, v in (("type", "t"), ("part", 7), ("ok", True), ("n", 1e3), ("x", None))
    ]
    log = {"objects": [{"id": "P1", "type": "part"}],
           "events": [event(attributes=attributes, relationships=related(("P1", "")))]}  # fmt: skip
    fields = ("type", "attribute.type", "part", "attribute.part", "ok", "n", "x")
    assert of(tmp_path, log, *fields)[0] == [("pressed", "t", "P1", "7", "true", "1000.0", None)]


def test_numbers_stay_as_they_were_written(tmp_path):
    text = '{"events": [{"id": "e", "attributes": [{"name": "n", "value": 12345678901234567890.10}]}]}'
    assert of(tmp_path, text, "n")[0] == [("12345678901234567890.10",)]
    assert of(tmp_path, text.replace("12345678901234567890.10", "9" * 6000), "n")[0] == [("9" * 6000,)]


def test_large_logs_are_read_across_the_pieces_of_the_file_and_come_in_blocks(tmp_path):
    log = {"events": [event(n, note="é" * (n % 50)) for n in range(60_000)], "objects": []}
    text = json.dumps(log, ensure_ascii=False)
    assert of(tmp_path, text, "id")[0] == [(f"e{n}",) for n in range(60_000)]


def test_an_event_that_is_no_object_is_quarantined(tmp_path):
    rows, bad = of(tmp_path, {"events": [event(1), 5, event(2)], "objects": [7, {"id": 3}]}, "id")
    assert (rows, [(n, reason) for n, reason, _ in bad]) == ([("e1",), ("e2",)], [(2, "the event is no object")])


@pytest.mark.parametrize(
    ("text", "told"),
    [
        (ocel.SAMPLE[:-20], "damaged or not complete"),
        ("[1, 2]", "here should be {"),
        ("<log/>", "here should be {"),
        ("{}", "no list of events"),
        ('{"ocel:events": {}, "ocel:objects": {}}', "OCEL 1.0"),
        ('{"events": [' + "[" * 100_000, "damaged"),
        ('{"events": [{"id": "' + "x" * (9 << 20) + '"}]}', "longer than"),
        (ocel.SAMPLE + "{}", "behind the object"),
        ('{"events": [{"id": "a" "b"}]}', "sign"),
        ("\ud800", "here should be {"),
    ],
)
def test_what_is_no_whole_log_is_refused_with_its_reason(tmp_path, text, told):
    with pytest.raises(InputError) as err:
        of(tmp_path, text.encode("utf-8", "surrogatepass"), "id")
    assert told in str(err.value)


def test_half_a_sign_does_not_harm_its_neighbours(tmp_path):
    log = '{"events": [{"id": "a\\ud800b", "type": "\\ud83d\\ude00"}]}'
    assert of(tmp_path, log, "id", "type")[0] == [("a?b", "😀")]


def test_mutated_logs_are_read_or_refused(tmp_path):
    path = tmp_path / "a.json"
    refused = []
    for content in mutations(json.dumps(LOG).encode(), 2000):
        path.write_bytes(content)
        try:
            read(ocel, path, ["id", "time", "part", "part.product", "qualifier.by", "force"])
        except InputError as err:
            refused.append(err.problem.where.partition(",")[0])
    assert 0 < len(refused) < 2000
    assert set(refused) == {"a.json"}
