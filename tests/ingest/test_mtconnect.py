"""MTConnect streams documents as an agent gives them, and as a poller writes them one behind the other."""

from __future__ import annotations

import pytest

from ingest.errors import InputError
from ingest.formats import mtconnect
from ingest.formats.xml_documents import CHUNK
from tests.ingest.documents import read
from tests.ingest.mutate import MARKS, mutations
from tests.ingest.plants import all_events, loaded, plant, reasons
from tests.ingest.xml_attacks import ATTACKS

SOURCE = mtconnect.SAMPLE_SOURCE


def document(*observations: str, first: int = 1, following: int = 100, at: str = "04:00:00", instance: int = 7,
             version: str = "1.4", root: str = "MTConnectStreams") -> str:  # fmt: skip
    """Write one document: observations are written `category Element sequence time value key=word …`."""
    told = []
    for observation in observations:
        category, name, sequence, time, value, *pairs = observation.split()
        words = "".join(f' {k}="{v}"' for k, v in (p.split("=") for p in pairs if "=" in p))
        item = (
            f'<{name} dataItemId="d{name}" sequence="{sequence}" timestamp="2026-10-23T{time}Z"{words}>{value}</{name}>'
        )
        told.append(f"<{category}>{item.replace('>-<', '><')}</{category}>")
    return (
        f'<?xml version="1.0" encoding="UTF-8"?>\n<{root} xmlns="urn:mtconnect.org:MTConnectStreams:{version}">'
        f'<Header creationTime="2026-10-23T{at}Z" instanceId="{instance}" firstSequence="{first}" '
        f'lastSequence="{following - 1}" nextSequence="{following}"/><Streams><DeviceStream name="M1" uuid="u">'
        f'<ComponentStream component="Path" componentId="p">{"".join(told)}</ComponentStream>'
        f"</DeviceStream></Streams></{root}>\n"
    )


def of(folder, text, source=SOURCE):
    content = text if isinstance(text, bytes) else text.encode()
    return loaded(plant(folder, {"inbox/mill/a.xml": content}, source, name="mill"))


def rows_of(folder, content: bytes):
    """Return all rows of a file and its bad ones, as the format gives them."""
    path = folder / "a.xml"
    path.write_bytes(content)
    rows, bad, _ = read(mtconnect, path, list(mtconnect.FIELDS))
    return rows, bad


def test_observations_become_states_alarms_counts_and_links(tmp_path):
    _, store = of(tmp_path, mtconnect.SAMPLE)
    told = {(e["kind"], e["state"] or e["code"] or e["value"]) for e in all_events(store).to_dicts()}
    assert told == {("link", "up"), ("state", "running"), ("alarm_off", None), ("count", 17.0), ("alarm_on", "P104"),
                    ("state", "stopped")}  # fmt: skip
    assert all_events(store)["seq"].sort().to_list() == [101, 102, 103, 105, 106, 107]


def test_every_attribute_of_an_observation_is_a_field(tmp_path):
    rows, _ = rows_of(tmp_path, document(
        "Samples Load 5 04:00:01 12.5 subType=ACTUAL name=load statistic=AVERAGE duration=10 sampleCount=3 "
        "sampleRate=100",
        "Condition Warning 6 04:00:02 hot type=TEMPERATURE nativeCode=T1 nativeSeverity=3 qualifier=HIGH "
        "conditionId=c9",
    ).encode())  # fmt: skip
    header, load, warning = rows
    assert (header["category"], header["first_sequence"], header["next_sequence"]) == ("HEADER", "1", "100")
    assert {k: load[k] for k in ("category", "device", "device_uuid", "component", "component_id", "type", "sub_type",
                                 "data_item", "name", "time", "sequence", "instance", "value", "statistic",
                                 "duration", "sample_count", "sample_rate", "level")} == {
        "category": "SAMPLE", "device": "M1", "device_uuid": "u", "component": "Path", "component_id": "p",
        "type": "Load", "sub_type": "ACTUAL", "data_item": "dLoad", "name": "load", "time": "2026-10-23T04:00:01Z",
        "sequence": "5", "instance": "7", "value": "12.5", "statistic": "AVERAGE", "duration": "10",
        "sample_count": "3", "sample_rate": "100", "level": None,
    }  # fmt: skip
    assert [warning[k] for k in ("category", "type", "level", "native_code", "native_severity", "qualifier",
                                 "condition_id", "value")] == [
        "CONDITION", "TEMPERATURE", "warning", "T1", "3", "HIGH", "c9", "hot"]  # fmt: skip


def test_unavailable_is_unknown_and_not_stopped(tmp_path):
    _, store = of(tmp_path, document(
        "Events Execution 5 04:00:01 UNAVAILABLE", "Events Availability 6 04:00:01 UNAVAILABLE",
        "Condition Unavailable 7 04:00:01 - type=SYSTEM", "Events PartCount 8 04:00:01 UNAVAILABLE",
    ))  # fmt: skip
    events = all_events(store)
    assert sorted(events.select("kind", "state").iter_rows()) == [("link", "down"), ("state", "unknown")]
    assert reasons(store) == []


@pytest.mark.parametrize("version", ["1.2", "1.3", "1.4", "1.8", "2.0", "2.5"])
def test_any_version_of_the_namespace_is_read_with_a_prefix_or_without(tmp_path, version):
    plain = document("Events Execution 5 04:00:01 ACTIVE", version=version)
    prefixed = plain.replace("<", "<m:").replace("<m:/", "</m:").replace("<m:?", "<?").replace("xmlns=", "xmlns:m=")
    for n, text in enumerate((plain, prefixed)):
        (tmp_path / str(n)).mkdir()
        rows, bad = rows_of(tmp_path / str(n), text.encode())
        assert [(r["type"], r["value"]) for r in rows] == [("Header", None), ("Execution", "ACTIVE")]
        assert bad == []


def test_the_same_observation_in_two_documents_is_the_same_event(tmp_path):
    """What a poll tells twice has the same time, content and running number, by which repeats are dropped."""
    text = document("Events Execution 5 04:00:01 ACTIVE") + document(
        "Events Execution 5 04:00:01 ACTIVE", "Events Execution 6 04:00:02 READY"
    )
    _, store = of(tmp_path, text)
    events = all_events(store).drop("line")
    assert (events.height, events.unique().height) == (3, 2)


def test_observations_that_the_agent_no_longer_held_are_a_loss_while_the_link_was_down(tmp_path):
    text = document(following=100, at="04:00:00") + document(first=151, following=200, at="04:10:00")
    _, store = of(tmp_path, text)
    assert [(f"{e['ts_source']:%H:%M}", e["kind"], e["state"]) for e in all_events(store).to_dicts()] == [
        ("04:00", "link", "down"), ("04:10", "link", "up")]  # fmt: skip
    rows, _ = rows_of(tmp_path, text.encode())
    assert [(r["lost"], r["since"]) for r in rows] == [(None, None), ("51", "2026-10-23T04:00:00Z")]


def test_a_new_instance_begins_its_numbers_anew_without_a_loss(tmp_path):
    text = document(following=100, instance=7) + document(first=1, following=50, instance=8)
    text += document(first=40, following=60, instance=8)
    rows, _ = rows_of(tmp_path, text.encode())
    assert [(r["instance"], r["lost"]) for r in rows] == [("7", None), ("8", None), ("8", None)]


def test_a_normal_without_a_code_ends_all_conditions_of_its_data_item(tmp_path):
    text = document(
        "Condition Fault 5 04:00:01 a type=SYSTEM nativeCode=A",
        "Condition Warning 6 04:00:02 b type=SYSTEM nativeCode=B",
    ).replace("dFault", "x").replace("dWarning", "x")  # fmt: skip
    later = document("Condition Normal 9 04:00:09 - type=SYSTEM").replace("dNormal", "x")
    rows, _ = rows_of(tmp_path, (text + later + text + later).encode())
    told = [(r["level"], r["native_code"], r["sequence"]) for r in rows if r["category"] == "CONDITION"]
    assert told[:4] == [("fault", "A", "5"), ("warning", "B", "6"), ("normal", "A", "9"), ("normal", "B", "9")]
    assert told[4:] == [("fault", "A", "5"), ("warning", "B", "6"), ("normal", None, "9")]  # told before: ends nothing


def test_data_sets_are_words_and_an_error_of_the_agent_is_a_record(tmp_path):
    data_set = document("Events Variables 5 04:00:01 @").replace(
        "@", '<Entry key="a">1</Entry><Entry key="b">2</Entry>'
    )
    error = (
        '<MTConnectError><Header creationTime="2026-10-23T04:05:00Z" instanceId="7"/><Errors>'
        '<Error errorCode="OUT_OF_RANGE">from is too small</Error></Errors></MTConnectError>'
    )
    rows, _ = rows_of(tmp_path, (data_set + error).encode())
    assert rows[1]["value"] == "a=1 b=2"
    assert [rows[2][k] for k in ("category", "native_code", "value", "time")] == [
        "ERROR", "OUT_OF_RANGE", "from is too small", "2026-10-23T04:05:00Z"]  # fmt: skip


def test_documents_may_stand_in_the_parts_of_an_http_answer(tmp_path):
    one = document("Events Execution 5 04:00:01 ACTIVE")
    parts = "".join(
        f"\r\n--frame\r\nContent-type: text/xml\r\nContent-length: {len(one)}\r\n\r\n{one}" for _ in range(3)
    )
    rows, bad = rows_of(tmp_path, parts.encode())
    assert ([r["type"] for r in rows], bad) == (["Header", "Execution"] * 3, [])


def test_documents_are_read_across_the_pieces_of_the_file(tmp_path):
    """Each document ends at another place of the pieces in which the file is read."""
    one = document(*(f"Events Execution {n} 04:00:01 ACTIVE" for n in range(40)))
    n = 4 * CHUNK // len(one)
    rows, bad = rows_of(tmp_path, (one * n).encode())
    assert (len(rows), bad) == (41 * n, [])


def test_a_document_that_breaks_off_is_quarantined_and_the_next_one_is_read(tmp_path):
    whole = document("Events Execution 5 04:00:01 ACTIVE")
    broken = whole[: whole.index("ACTIVE")]
    rows, bad = rows_of(tmp_path, (whole + broken + whole + broken).encode())
    assert [r["type"] for r in rows] == ["Header", "Execution", "Header", "Header", "Execution", "Header"]
    assert [line for line, _, _ in bad] == [4, 8]
    assert bad[1][1] == "the document is not complete: it ends in the middle"


def test_another_kind_of_document_is_refused_alone_and_quarantined_among_others(tmp_path):
    devices = document(root="MTConnectDevices")
    with pytest.raises(InputError, match="no MTConnect streams") as err:
        rows_of(tmp_path, devices.encode())
    assert err.value.problem.found == "<MTConnectDevices>"
    rows, bad = rows_of(tmp_path, (document() + devices + document()).encode())
    assert (len(rows), [reason for _, reason, _ in bad]) == (2, ["'MTConnectDevices' is no document of streams"])


@pytest.mark.parametrize("content", [b"no XML at all", b"\x00\x01\x02" * 50, b"<a><b/></a>", b"<<<"])
def test_a_file_without_a_document_is_refused(tmp_path, content):
    with pytest.raises(InputError):
        rows_of(tmp_path, content + b" ")


@pytest.mark.parametrize("attack", ATTACKS, ids=str)
def test_attacks_are_refused(tmp_path, attack):
    with pytest.raises(InputError, match="DOCTYPE"):
        rows_of(tmp_path, ATTACKS[attack].replace("ROOT", "MTConnectStreams").encode())


def test_a_tag_and_a_depth_without_end_are_quarantined(tmp_path):
    whole = document("Events Execution 5 04:00:01 ACTIVE")
    long = whole.replace("ACTIVE<", "ACTIVE</Execution><x y='" + "z" * (9 << 20))
    deep = whole.replace("<Events>", "<Events>" + "<x>" * 300)
    text = whole.replace("ACTIVE", "A" * (9 << 20))
    _, bad = rows_of(tmp_path, (whole + long + whole + deep + whole + text + whole).encode())
    assert [reason for _, reason, _ in bad] == [
        "a tag is longer than 4,194,304 bytes",
        "elements lie within one another more than 200 deep",
        "a text is longer than 4,194,304 characters",
    ]


def test_mutated_documents_give_records_quarantine_or_a_told_error(tmp_path):
    seed = (mtconnect.SAMPLE + document("Events Execution 5 04:00:01 ACTIVE")).encode()
    path, told, refused = tmp_path / "a.xml", 0, []
    for content in mutations(seed, 2000, (*MARKS, b"<?xml", b"]]>", b"<![CDATA[", b"<!DOCTYPE x>")):
        path.write_bytes(content)
        try:
            rows, bad, _ = read(mtconnect, path, ["type", "value", "lost"])
        except InputError as err:
            refused.append(err.problem.where)
            continue
        told += bool(rows or bad)
    assert told > 1500
    assert set(refused) == {"a.xml"}
