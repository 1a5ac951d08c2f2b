"""From records to events: what the source language says is what happens."""

from __future__ import annotations

import pytest

from ingest.units import conversion
from tests.ingest.plants import all_events, events_of, loaded, plant, reasons

HEAD = """
    cell = "c1"
    format = "key_value"
    files = ["inbox/*"]
    [time]
    field = "t"
    formats = ["epoch_s"]
"""
T = "t=1792735200"


def mapped(tmp_path, rules: str, *lines: str):
    """Load key=value lines, a second apart, by some rules; returns (events, reasons)."""
    log = "".join(f"t={1792735200 + n} {line}\n" for n, line in enumerate(lines))
    _, store = loaded(plant(tmp_path, {"inbox/a.kv": log}, HEAD + rules))
    return all_events(store), reasons(store)


def test_the_first_rule_that_fits_counts(tmp_path):
    rules = """
    [[rules]]
    when = { a = "1" }
    emit = [{ kind = "count", value = 1 }]
    [[rules]]
    emit = [{ kind = "count", value = 2 }]
    """
    events, _ = mapped(tmp_path, rules, "a=1", "a=2", "b=1")
    assert events["value"].to_list() == [1.0, 2.0, 2.0]


@pytest.mark.parametrize(
    ("condition", "fits"),
    [
        ('"x"', [0]),
        ('["x", "y"]', [0, 1]),
        ("7", [3]),
        ('{ not = "x" }', [1, 2, 3, 4]),
        ('{ not = ["x", "y"] }', [2, 3, 4]),
        ("{ present = true }", [0, 1, 3, 4]),
        ("{ present = false }", [2]),
        ("{ above = 7 }", [4]),
        ("{ at_least = 7 }", [3, 4]),
        ("{ at_least = 7, below = 10.5 }", [3]),
        ("{ at_most = 10.5 }", [3, 4]),
        ("{ matches = '^[xy]$' }", [0, 1]),
        ("{ matches = '^[xy]$', not = 'x' }", [1]),
    ],
)
def test_conditions(condition, fits, tmp_path):
    rules = f"""
    [[skip]]
    when = {{ a = {{ not = "" }}, b = "never" }}
    [[rules]]
    when = {{ a = {condition} }}
    emit = [{{ kind = "count", value = 1 }}]
    [[rules]]
    emit = [{{ kind = "count", value = 0 }}]
    """
    events, _ = mapped(tmp_path, rules, "a=x", "a=y", 'a=""', "a=7", "a=10,5")
    assert [n for n, value in enumerate(events["value"]) if value] == fits


def test_groups_of_a_rules_own_pattern_are_its_fields(tmp_path):
    """Two rules may call different things by the same name."""
    rules = """
    [words.station]
    ROB = "robot"
    [[rules]]
    when = { m = { matches = '^take (?P<x>\\w+) (?P<part>\\w+)' } }
    emit = [{ kind = "part_out", station = "{x:station}", part = "{part}" }]
    [[rules]]
    when = { m = { matches = '^(?P<x>\\w+) done (?P<n>\\d+)?' } }
    emit = [{ kind = "count", text = "{x}", value = "{n} ms", unit = "s", earlier = "{n} ms" }]
    """
    events, wrong = mapped(tmp_path, rules, 'm="take ROB P1"', 'm="ROB done 1500"', 'm="PRS done "', 'm="take PRS P2"')
    assert events.sort("line").select("station", "part", "text", "value").rows() == [
        ("robot", "P1", None, None),
        (None, None, "ROB", 1.5),
        (None, None, "PRS", None),
    ]
    assert events.filter(text="ROB")["ts_source"][0].microsecond == 500_000
    assert wrong == [(4, "word 'PRS' of field x is not in vocabulary station")]


def test_one_record_gives_several_events_in_their_order(tmp_path):
    rules = """
    [[rules]]
    emit = [
        { kind = "cycle_start", earlier = "{ms} ms" },
        { kind = "cycle_end", value = "{ms} ms", unit = "s" },
        { kind = "part_out", time = "out" },
    ]
    """
    events, _ = mapped(tmp_path, rules, "ms=250 out=1792735210")
    assert [(e["kind"], e["ts_source"].strftime("%S.%f")[:6]) for e in events.to_dicts()] == [
        ("cycle_start", "59.750"),
        ("cycle_end", "00.000"),
        ("part_out", "10.000"),
    ]
    assert events["value"].to_list() == [None, 0.25, None]


def test_an_event_whose_own_time_is_missing_puts_the_whole_record_aside(tmp_path):
    rules = """
    [[rules]]
    emit = [{ kind = "part_in" }, { kind = "part_out", time = "out" }]
    """
    events, wrong = mapped(tmp_path, rules, "a=1 out=1792735210", "a=2", "a=3 out=soon")
    assert events.height == 2
    assert wrong == [(2, "no time: field out is empty"), (3, "time 'soon' fits none of the formats")]


def test_times_that_no_clock_of_ours_shows_are_quarantined(tmp_path):
    """A controller whose clock was not set, and a duration that is damaged."""
    source = HEAD.replace("epoch_s", "iso8601")
    source += "[[rules]]\n    emit = [{ kind = 'part_in' }, { kind = 'count', value = '{ms}', earlier = '{ms} ms' }]\n"
    log = "".join(f"t={t}-10-23T06:00:00Z ms={ms}\n" for t, ms in [(1970, 1), (9999, 1), (2026, "9e99"), (2026, -5)])
    _, store = loaded(plant(tmp_path, {"inbox/a.kv": log}, source))
    assert reasons(store) == [
        (1, "time '1970-10-23T06:00:00Z' is not of our times"),
        (2, "time '9999-10-23T06:00:00Z' is not of our times"),
        (3, "'9e99' of field ms is too long a time"),
    ]
    assert all_events(store).height == 2


def test_vocabularies_translate_and_say_what_unknown_words_mean(tmp_path):
    rules = """
    [words.strict]
    A = "alpha"
    NONE = ""
    [words.other]
    A = "alpha"
    "*" = "omega"
    [words.same]
    A = "alpha"
    BOTH = ""
    "*" = "{word}"
    [[rules]]
    emit = [{ kind = "part_in", part = "{a:strict}", code = "{b:other}", text = "{c:same}", cause = "{c:other}-{c}" }]
    """
    events, wrong = mapped(tmp_path, rules, "a=A b=A c=A", "a=NONE b=Z c=Z", "b=Z", "a=Z b=Z c=Z", "c=BOTH")
    assert events.select("part", "code", "text", "cause").rows() == [
        ("alpha", "alpha", "alpha", "alpha-A"),
        (None, "omega", "Z", "omega-Z"),
        (None, "omega", None, None),
        (None, None, None, "omega-BOTH"),
    ]
    assert wrong == [(4, "word 'Z' of field a is not in vocabulary strict")]


def test_words_straight_from_the_log_must_be_words_of_their_column(tmp_path):
    rules = """
    [[rules]]
    emit = [{ kind = "{k}", state = "{s}", result = "{r}", seq = "{n}" }]
    """
    lines = ["k=link s=up r=good n=0012", "k=lnk s=up", "s=up", "k=result r=well", "k=count n=1.5"]
    events, wrong = mapped(tmp_path, rules, *lines)
    assert events.select("kind", "result", "seq").rows() == [("link", "good", 12)]
    assert [line for line, _ in wrong] == [2, 3, 4, 5]
    assert wrong[1] == (3, "the event would have no kind")
    assert wrong[2] == (4, "'well' is no result; it can be good, reject, rework, removed")
    assert wrong[3] == (5, "running number '1.5' is not a whole number")


def test_the_cell_may_come_from_the_record(tmp_path):
    source = HEAD.replace('cell = "c1"', 'cell = "{c}"') + "[[rules]]\n    emit = [{ kind = 'part_in' }]\n"
    log = f"{T} c=a\n{T} c=b-2\n{T} c=../b\n{T}\n"
    _, store = loaded(plant(tmp_path, {"inbox/a.kv": log}, source))
    assert store.cells() == ["a", "b-2"]
    assert reasons(store) == [(3, "'../b' cannot be the name of a cell"), (4, "the event would have no cell")]


def test_always_gives_every_event_its_columns_unless_it_says_else(tmp_path):
    rules = """
    [always]
    kind = "part_in"
    station = "{who}"
    value = "{v} min"
    unit = "s"
    [[rules]]
    emit = [{ part = "1" }, { part = "2", station = "x", kind = "part_out", value = 3 }]
    """
    events, _ = mapped(tmp_path, rules, "who=y v=2")
    assert events.sort("part").select("kind", "station", "value", "unit").rows() == [
        ("part_in", "y", 120.0, "s"),
        ("part_out", "x", 3.0, "s"),
    ]


@pytest.mark.parametrize(
    ("number", "value"), [("1", 1.0), ("-1,5", -1.5), ("1e3", 1000.0), ("inf", None), ("nan", None), ("1.000,5", None)]
)
def test_numbers_with_point_or_comma(number, value, tmp_path):
    rules = """
    [[rules]]
    emit = [{ kind = "count", value = "{v}" }]
    """
    events, wrong = mapped(tmp_path, rules, f"v={number}")
    assert [e["value"] for e in events.to_dicts()] == ([] if value is None else [value])
    assert wrong == ([(1, f"'{number}' of field v is not a number")] if value is None else [])


def test_units_convert_within_their_kind():
    assert conversion("ms", "s") == (0.001, 0.0)
    assert conversion("K", "degC") == (1.0, -273.15)
    assert conversion("s", "mm") is None
    assert conversion("rpm", "rpm") == (1.0, 0.0)


@pytest.mark.parametrize(("privacy", "kept"), [("plain", "Ada"), ("drop", None)])
def test_operators_are_stored_as_the_plant_says(privacy, kept, tmp_path):
    source = HEAD + "[[rules]]\n    emit = [{ kind = 'reason', operator = '{who}' }]\n"
    extra = f'[privacy]\noperators = "{privacy}"\n'
    assert events_of(tmp_path, source, f"{T} who=Ada\n", "inbox/a.kv", extra=extra)["operator"].to_list() == [kept]


def test_a_pseudonym_is_the_same_for_the_same_person_and_needs_the_plants_key(tmp_path):
    source = HEAD + "[[rules]]\n    emit = [{ kind = 'reason', operator = '{who}' }]\n"
    log = f"{T} who=Ada\n{T} who=Ben\n{T} who=Ada\n{T}\n"
    first = events_of(tmp_path / "one", source, log, "inbox/a.kv")["operator"].to_list()
    other = events_of(tmp_path / "two", source, log, "inbox/a.kv")["operator"].to_list()
    assert first[0] == first[2] != first[1]
    assert first[3] is None
    assert set(first).isdisjoint({"Ada", "Ben"} | set(filter(None, other)))
    assert (tmp_path / "one" / "operators.key").stat().st_mode & 0o077 == 0
