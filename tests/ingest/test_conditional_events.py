"""Events of a rule that are given only where their own conditions hold."""

from __future__ import annotations

import pytest

from ingest.errors import ConfigError
from ingest.source import load_source
from tests.ingest.plants import all_events, loaded, plant, reasons

SOURCE = """
    cell = "c1"
    format = "key_value"
    files = ["inbox/*"]
    [time]
    field = "t"
    formats = ["epoch_s"]
    [words.state]
    ACTIVE = "running"
    [[skip]]
    when = { noise = { present = true } }
    [[rules]]
    when = { who = { matches = '^(?P<unit>\\w+)-(?P<nr>\\d)$' } }
    emit = [
        { when = { exec = { present = true } }, kind = "state", state = "{exec:state}", station = "{unit}" },
        { when = { n = { not = "NONE", present = true } }, kind = "count", value = "{n}", station = "{unit}" },
        { when = { nr = 2 }, kind = "link", state = "up", station = "{unit}" },
    ]
    [[rules]]
    emit = [{ when = { n = { above = 5 } }, kind = "count", value = "{n}" }, { kind = "link", state = "down" }]
"""


def told(folder, log):
    summary, store = loaded(plant(folder, {"inbox/a.kv": log}, SOURCE))
    totals = [summary.total(name) for name in ("lines", "with_events", "skipped", "quarantined")]
    assert totals[0] == sum(totals[1:])
    columns = ("line", "kind", "state", "station", "value")
    events = list(all_events(store).select(columns).iter_rows()) if store.cells() else []
    return events, totals, reasons(store)


def test_one_line_gives_the_events_whose_conditions_hold(tmp_path):
    events, totals, _ = told(tmp_path, """
        t=1792735200 who=m-1 exec=ACTIVE n=4
        t=1792735201 who=m-2 n=5
        t=1792735202 who=m-1 exec=ACTIVE
    """)  # fmt: skip
    assert events == [
        (1, "count", None, "m", 4.0), (1, "state", "running", "m", None),
        (2, "count", None, "m", 5.0), (2, "link", "up", "m", None),
        (3, "state", "running", "m", None),
    ]  # fmt: skip
    assert totals == [3, 3, 0, 0]


def test_a_record_of_which_no_event_is_given_counts_as_skipped(tmp_path):
    events, totals, _ = told(tmp_path, "t=1792735200 who=m-1 other=4\nt=1792735200 noise=1\n")
    assert (events, totals) == ([], [2, 0, 2, 0])


def test_what_is_wrong_counts_only_for_an_event_that_is_given(tmp_path):
    events, totals, bad = told(tmp_path, """
        t=1792735200 who=m-1 exec=ACTIVE n=NONE
        t=1792735201 who=m-1 exec=ACTIVE n=many
        t=1792735202 who=m-1 exec=GONE n=1
    """)  # fmt: skip
    assert events == [(1, "state", "running", "m", None)]
    assert bad == [
        (2, "'many' of field n is not a number"),
        (3, "word 'GONE' of field exec is not in vocabulary state"),
    ]
    assert totals == [3, 1, 0, 2]


def test_beside_events_with_conditions_others_are_always_given(tmp_path):
    events, _, _ = told(tmp_path, "t=1792735200 n=6\nt=1792735201 n=5\n")
    assert [(line, kind) for line, kind, *_ in events] == [(1, "count"), (1, "link"), (2, "link")]


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        ('value = "{n}"', 'value = "{line}"', "no field can be called 'line'"),
        ("when = { nr = 2 }", "when = 2", "conditions of one event"),
        ("when = { nr = 2 }", "when = { nr = { like = 2 } }", "unknown test 'like'"),
        ("when = { nr = 2 }", "when = { nr = { matches = '(?P<x>2)' } }", "a pattern here gives no fields"),
    ],
)
def test_wrong_conditions_are_told(tmp_path, old, new, told):
    folder = plant(tmp_path, {}, SOURCE.replace(old, new))
    with pytest.raises(ConfigError, match=told):
        load_source(folder / "sources/log.toml")


def test_conditions_do_not_belong_into_always(tmp_path):
    folder = plant(tmp_path, {}, SOURCE.replace("[[skip]]", "[always]\n    when = { n = 1 }\n    [[skip]]"))
    with pytest.raises(ConfigError, match=r"always\.when"):
        load_source(folder / "sources/log.toml")
