"""Lines of an MTConnect adapter."""

from __future__ import annotations

from ingest.errors import InputError
from ingest.formats import mtconnect_adapter
from tests.ingest.documents import read
from tests.ingest.mutate import mutations
from tests.ingest.plants import all_events, loaded, plant

KEYS = {"conditions": ["sys"], "messages": ["msg"], "timeseries": ["vib"]}


def of(folder, text, *fields, **options):
    path = folder / "a.shdr"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    rows, bad, skipped = read(mtconnect_adapter, path, list(fields), **(options or KEYS))
    return [tuple(row[f] for f in fields) for row in rows], [(n, reason) for n, reason, _ in bad], skipped


def test_a_line_with_several_keys_gives_an_event_for_each(tmp_path):
    source = mtconnect_adapter.SAMPLE_SOURCE
    _, store = loaded(plant(tmp_path, {"inbox/mill/a.shdr": mtconnect_adapter.SAMPLE}, source, name="mill"))
    told = [(e["line"], e["kind"], e["state"] or e["text"] or e["value"]) for e in all_events(store).to_dicts()]
    assert sorted(told, key=lambda t: (t[0], t[1])) == [
        (2, "link", "up"), (3, "count", 16.0), (3, "state", "running"), (4, "count", 17.0), (5, "state", "stopped"),
        (6, "alarm_on", "clamp not closed"), (7, "alarm_off", None), (8, "state", "unknown"),
    ]  # fmt: skip


def test_conditions_messages_and_series_have_their_own_fields(tmp_path):
    log = "t1|sys|FAULT|P104|2|HIGH|clamp open\nt2|msg|M7|door ajar\nt3|vib|3|100|1 2 3\nt4|sys|NORMAL\n"
    fields = ("sys.level", "sys.native_code", "sys.native_severity", "sys.qualifier", "sys.text", "msg.native_code",
              "msg.text", "vib.count", "vib.frequency", "vib.values")  # fmt: skip
    rows, bad, _ = of(tmp_path, log, *fields)
    nothing = (None,) * 5
    assert rows == [
        ("FAULT", "P104", "2", "HIGH", "clamp open", *nothing),
        (*nothing, "M7", "door ajar", None, None, None),
        (*nothing, None, None, "3", "100", "1 2 3"),
        ("NORMAL", None, None, None, None, *nothing),
    ]
    assert bad == []


def test_a_condition_may_stand_among_pairs(tmp_path):
    rows, _, _ = of(tmp_path, "t|a|1|sys|FAULT|P1|||hot|b|2\n", "a", "sys.native_code", "sys.text", "b")
    assert rows == [("1", "P1", "hot", "2")]


def test_the_time_may_have_a_duration_and_a_key_its_device(tmp_path):
    log = "2026-10-23T04:00:00Z@5.2|m1:load|12|m2:load|13|m1:sys|WARNING|W1|||x\n"
    fields = ("time", "duration", "device", "load", "m1.load", "m2.load", "m1.sys.native_code")
    rows, _, _ = of(tmp_path, log, *fields)
    assert rows == [("2026-10-23T04:00:00Z", "5.2", "m1", "12", "12", "13", "W1")]


def test_a_bar_within_a_text_is_escaped_and_an_empty_value_is_not_there(tmp_path):
    rows, bad, _ = of(tmp_path, "t|msg|1|left \\| right\nt|a||b|2\n", "msg.text", "a", "b")
    assert (rows, bad) == ([("left | right", None, None), (None, None, "2")], [])


def test_the_line_of_a_program_is_another_than_that_of_the_log(tmp_path):
    rows, _, _ = of(tmp_path, "t|a|1\nt|line|412|a|2\n", "line_", "a")
    assert rows == [(None, "1"), ("412", "2")]


def test_lines_of_the_protocol_are_left_out_and_half_a_pair_is_quarantined(tmp_path):
    log = "* PING\n* PONG 10000\n\nt|a|1|b\nt\nt|a|1\n|a|2\n"
    rows, bad, skipped = of(tmp_path, log, "time", "a")
    assert rows == [("t", "1"), (None, "2")]
    assert bad == [
        (4, "a key stands without a value, or a value without a key"),
        (5, "line has no pair of the form |key|value"),
    ]
    assert skipped == 3


def test_a_line_of_very_many_changes_is_quarantined(tmp_path):
    rows, bad, _ = of(tmp_path, "t" + "|a|1" * 1001 + "\nt|sys" + "|a|1" * 1005 + "|a\nt|a|1\n", "a")
    assert (rows, [n for n, _ in bad]) == ([("1",)], [1, 2])
    assert all("more than 1,000 changes" in reason for _, reason in bad)


def test_mutated_lines_give_records_or_quarantine(tmp_path):
    log = (mtconnect_adapter.SAMPLE + "t@3|m1:vib|3|100|1 2 3|msg|M7|door\n").encode()
    read_n = refused = 0
    for content in mutations(log, 700):
        try:
            rows, _, _ = of(tmp_path, content, "time", "execution", "sys.level", "m1.vib.values")
        except InputError:
            refused += 1
            continue
        read_n += len(rows)
    assert read_n > 3000
    assert refused < 50, "only for what is no text at all"
