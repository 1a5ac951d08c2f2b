"""Syslog: the examples of RFC 5424 (sections 6.2.3.1, 6.3.5 and 6.5, read), and what is no such message."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest

from ingest.formats import syslog
from ingest.raw import Block
from tests.ingest.plants import all_events, events_of, loaded, plant, reasons

SOURCE = """
    cell = "c1"
    format = "syslog"
    files = ["inbox/*"]
    [time]
    formats = ["iso8601"]
    [[rules]]
    emit = [{ kind = "alarm_on", code = "{msgid}", text = "{msg}", station = "{app}" }]
"""

BOM = "\ufeff"
AT = "2003-10-11T22:14:15.003Z"
DATA = '[exampleSDID@32473 iut="3" eventSource="Application" eventID="1011"]'
HIGH = '[examplePriority@32473 class="high"]'
EVENT = f"<165>1 {AT} mymachine.example.com evntslog - ID47"


def fields(line: str, *names: str) -> tuple[str | None, ...]:
    """Return fields of one message."""
    data = line.encode() + b"\n"
    parse = syslog.parser(syslog.Options(), names, {}, Block(b"", 1, 0), "x")
    records = parse(Block(data, 1, 1))
    assert records.bad.height == 0, records.bad["reason"].item()
    return records.frame.select(names).row(0)


def reason(line: str) -> str:
    """Return why a line is no message."""
    data = line.encode() + b"\n"
    records = syslog.parser(syslog.Options(), ["msg"], {}, Block(b"", 1, 0), "x")(Block(data, 1, 1))
    assert records.frame.height == 0
    return str(records.bad["reason"].item())


def test_example_1_of_section_6_5_without_structured_data():
    """The login name of the example is replaced."""
    line = f"<34>1 {AT} mymachine.example.com su - ID47 - {BOM}'su root' failed for user7 on /dev/pts/8"
    assert fields(line, "facility", "severity", "severity_name", "version") == ("4", "2", "critical", "1")
    assert fields(line, "time", "host", "app", "procid", "msgid") == (AT, "mymachine.example.com", "su", None, "ID47")
    assert fields(line, "msg") == ("'su root' failed for user7 on /dev/pts/8",)


def test_example_2_of_section_6_5_with_an_offset_and_a_process():
    line = "<165>1 2003-08-24T05:14:15.000003-07:00 192.0.2.1 myproc 8710 - - %% It's time to make the do-nuts."
    assert fields(line, "facility", "facility_name", "severity_name") == ("20", "local4", "notice")
    assert fields(line, "host", "procid", "msgid") == ("192.0.2.1", "8710", None)
    assert fields(line, "msg") == ("%% It's time to make the do-nuts.",)


def test_example_3_of_section_6_5_with_structured_data_and_a_message():
    line = f"{EVENT} {DATA} {BOM}An application event log entry..."
    names = [f"exampleSDID@32473.{name}" for name in ("iut", "eventSource", "eventID")]
    assert fields(line, *names, "msg") == ("3", "Application", "1011", "An application event log entry...")


def test_example_4_of_section_6_5_with_structured_data_only():
    line = f"{EVENT} {DATA}{HIGH}"
    assert fields(line, "exampleSDID@32473.iut", "examplePriority@32473.class", "msg") == ("3", "high", None)


def test_example_3_of_section_6_3_5_a_blank_makes_the_second_element_part_of_the_message():
    assert fields(f"{EVENT} {DATA} {HIGH}", "examplePriority@32473.class", "msg") == (None, HIGH)


def test_example_4_of_section_6_3_5_a_blank_behind_the_bracket_is_wrong():
    assert reason(f'{EVENT} [ exampleSDID@32473 iut="3"]{HIGH}').startswith("structured data is damaged")


def test_the_times_of_section_6_2_3_1_are_instants(tmp_path):
    """Examples 1 to 4; example 5 has nanoseconds, which the RFC forbids: they are cut to microseconds here."""
    log = """
        <34>1 1985-04-12T23:20:50.52Z - a - - - x
        <34>1 1985-04-12T19:20:50.52-04:00 - a - - - x
        <34>1 2003-10-11T22:14:15.003Z - a - - - x
        <34>1 2003-08-24T05:14:15.000003-07:00 - a - - - x
        <34>1 2003-08-24T05:14:15.000000003-07:00 - a - - - x
    """
    assert events_of(tmp_path, SOURCE, log)["ts_source"].to_list() == [
        datetime(1985, 4, 12, 23, 20, 50, 520000, UTC), datetime(1985, 4, 12, 23, 20, 50, 520000, UTC),
        datetime(2003, 8, 24, 12, 14, 15, 0, UTC), datetime(2003, 8, 24, 12, 14, 15, 3, UTC),
        datetime(2003, 10, 11, 22, 14, 15, 3000, UTC),
    ]  # fmt: skip


def test_escapes_in_values_are_undone_and_other_backslashes_stay():
    line = r'<34>1 - - - - - [a x="say \"hi\" \] \\ c:\temp" x="second"] m'
    assert fields(line, "a.x") == (r'say "hi" ] \ c:\temp',)


def test_what_looks_like_data_inside_a_value_is_not_taken_for_it():
    line = '<34>1 - - - - - [a x="[b y=" z="w"][b y="1"] m'
    assert fields(line, "b.y", "a.z", "a.y") == ("1", "w", None)


def test_names_in_structured_data_may_hold_dots():
    line = '<34>1 - - - - - [cell.7 nest.2.part="P1"] m'
    assert fields(line, "cell.7.nest.2.part") == ("P1",)


def test_an_octet_count_in_front_is_understood_and_must_fit():
    """RFC 6587, 3.4.1: octet counting; some senders count their line end, too."""
    message = "<34>1 - - - - - - pièce finie"
    n = len(message.encode())
    assert fields(f"{n} {message}", "msg") == ("pièce finie",)
    assert fields(f"{n + 1} {message}", "msg") == ("pièce finie",)
    assert reason(f"{n + 20} {message}") == f"octet count {n + 20} does not fit: the message has {n} octets"


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ("hello", "no syslog message: it does not begin with a priority such as <134>"),
        ("<34", "no syslog message: it does not begin with a priority such as <134>"),
        ("<192>1 - - - - - - m", "priority '192' is no number from 0 to 191"),
        ("<034>1 - - - - - - m", "priority '034' is no number from 0 to 191"),
        ("<>1 - - - - - - m", "priority '' is no number from 0 to 191"),
        (
            "<34>Oct 11 22:14:15 m su: x",
            "no version behind the priority: this is an older form of syslog; read it as text",
        ),
        ("<34>2 - - - - - - m", "version is not 1, the one of RFC 5424"),
        (
            "<34>1 - - - -",
            "header is not complete: time, host, app, procid, msgid and structured data (or -) are expected",
        ),
    ],
)
def test_a_line_that_is_no_message_is_told_what_is_wrong_with_it(line, said):
    assert reason(line) == said


@pytest.mark.parametrize(
    "data", ['[a x="1]', "[a x=1]", "[a x]", '[a x="]"]', '[a x="1"y="2"]', "[]", "m", '[a x="\\"]']
)
def test_structured_data_that_is_damaged_is_told_so(data):
    assert reason(f"<34>1 - - - - - {data} m").startswith("structured data is damaged")


def test_messages_and_other_lines_are_told_apart_and_a_message_without_time_is_quarantined(tmp_path):
    log = f"# spool\n<34>1 {AT} h su - A1 - one\nnoise\n\n<34>1 - h su - A2 - two\n<34>1 {AT} h su - A3 -\n"
    source = SOURCE.replace("[[rules]]", '[read]\n    comment = "#"\n    [[rules]]', 1)
    summary, store = loaded(plant(tmp_path, {"inbox/a.log": log}, source))
    assert all_events(store).select("code", "text", "line").rows() == [("A1", "one", 2), ("A3", None, 6)]
    assert reasons(store) == [
        (3, "no syslog message: it does not begin with a priority such as <134>"),
        (5, "no time: field time is empty"),
    ]
    assert (summary.total("lines"), summary.total("skipped")) == (6, 2)
