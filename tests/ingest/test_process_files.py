"""Our readers against files that another library (pm4py) wrote: its answers are the outside values."""

from __future__ import annotations

import contextlib
import io
import json
import random
import warnings

import pandas as pd
import pytest

from ingest.formats import ocel, xes
from tests.ingest.documents import read

with contextlib.redirect_stdout(io.StringIO()), warnings.catch_warnings():
    warnings.simplefilter("ignore")
    import pm4py  # says hello on the screen

pytestmark = pytest.mark.filterwarnings("ignore:Install the optional:UserWarning")


@pytest.fixture
def quiet():
    with contextlib.redirect_stderr(io.StringIO()):  # its progress
        yield


def frame_of_a_log() -> pd.DataFrame:
    rng = random.Random(3)
    rows = []
    for trace in range(50):
        at = pd.Timestamp("2026-10-24T22:00:00.5Z") + pd.Timedelta(minutes=trace)
        for station in ("cam", "press & wash", "gauge <1>"):
            for transition in ("start", "complete"):
                at += pd.Timedelta(milliseconds=rng.randint(1, 9000))
                rows.append((f"P{trace}", station, transition, at, rng.random(), rng.randint(0, 9), "é"))
    names = ["case:concept:name", "concept:name", "lifecycle:transition", "time:timestamp", "force", "n", "sign"]
    return pd.DataFrame(rows, columns=names)


def instants(words: pd.Series) -> pd.Series:
    return pd.to_datetime(words, format="ISO8601")


@pytest.mark.parametrize("name", ["a.xes", "a.xes.gz"])
def test_a_log_that_pm4py_wrote_reads_the_same(tmp_path, name, quiet):
    told = frame_of_a_log()
    pm4py.write_xes(told, str(tmp_path / name))
    fields = ["trace.concept_name", "concept_name", "lifecycle_transition", "time_timestamp", "force", "n", "sign"]
    rows, bad, _ = read(xes, tmp_path / name, fields)
    assert bad == []
    again = pd.DataFrame([[row[f] for f in fields] for row in rows], columns=told.columns)
    for column in told.columns:
        kind = {"time:timestamp": instants, "force": pd.to_numeric, "n": pd.to_numeric}.get(column, lambda c: c)
        assert kind(again[column]).tolist() == told[column].tolist(), column


def test_a_log_that_pm4py_played_out_of_a_model_has_its_events_in_their_order(tmp_path, quiet):
    log = pm4py.play_out(pm4py.generate_process_tree(parameters={"min": 5, "mode": 8, "max": 12}))
    pm4py.write_xes(log, str(tmp_path / "a.xes"))
    rows, bad, _ = read(xes, tmp_path / "a.xes", ["concept_name"])
    told = [event["concept:name"] for trace in log for event in trace]
    assert [r["concept_name"] for r in rows] == told
    assert (len(told) > 100, bad) == (True, [])


def test_an_object_centric_log_that_pm4py_wrote_reads_the_same(tmp_path, quiet):
    (tmp_path / "own.json").write_text(ocel.SAMPLE, encoding="utf-8")
    log = json.loads(ocel.SAMPLE)
    log["objects"] += [{"id": f"P{n}", "type": "part", "attributes": []} for n in range(300, 340)]
    log["events"] += [
        {"id": f"x{n}", "type": "washed", "time": f"2026-10-23T05:{n - 300:02}:00Z", "attributes": [],
         "relationships": [{"objectId": f"P{n}", "qualifier": "in"}, {"objectId": "PRS1", "qualifier": "by"}]}
        for n in range(300, 340)
    ]  # fmt: skip
    log["objects"].append({"id": "P205", "type": "part", "attributes": []})
    (tmp_path / "own.json").write_text(json.dumps(log), encoding="utf-8")
    read_by_pm4py = pm4py.read_ocel2_json(str(tmp_path / "own.json"))
    pm4py.write_ocel2_json(read_by_pm4py, str(tmp_path / "theirs.json"))
    fields = ["id", "type", "part", "station", "qualifier.made", "qualifier.in", "part.product", "force"]
    ours, bad, _ = read(ocel, tmp_path / "own.json", fields)
    theirs, their_bad, _ = read(ocel, tmp_path / "theirs.json", fields)
    strip = [sorted(([r[f] for f in fields] for r in rows), key=str) for rows in (ours, theirs)]
    assert strip[0] == strip[1]
    assert (len(ours), bad, their_bad) == (42, [], [])
    told = read_by_pm4py.relations
    parts = dict(told[told["ocel:type"] == "part"][["ocel:eid", "ocel:oid"]].itertuples(index=False))
    assert {r["id"]: r["part"] for r in theirs} == parts
