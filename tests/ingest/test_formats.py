"""What holds for every log format, present and future, and what is special to each."""

from __future__ import annotations

import sqlite3
import tomllib
from contextlib import closing
from pathlib import Path

import pytest

from ingest import formats
from ingest.formats import FORMATS, Format
from ingest.formats.json_lines import json_path
from ingest.load import load
from ingest.store import Store
from tests.ingest.plants import all_events, events_of, loaded, plant, reasons
from tests.ingest.samples import write_sample

README = Path(__file__).parents[2] / "ingest" / "README.md"

any_format = pytest.mark.parametrize("module", FORMATS, ids=lambda module: module.NAME)


def sample_plant(folder: Path, module: Format) -> Path:
    """Write a plant with the format's own sample and source."""
    file = tomllib.loads(module.SAMPLE_SOURCE)["files"][0].replace("*", "")
    plant(folder, {}, module.SAMPLE_SOURCE, name=module.NAME)
    write_sample(folder / file, module)
    return folder


@any_format
def test_a_format_reads_its_own_sample_without_quarantine(module, tmp_path):
    summary = load(sample_plant(tmp_path, module))
    assert summary.total("events") >= 2
    assert summary.total("quarantined") == 0


@any_format
def test_the_readme_shows_each_format_with_its_sample(module):
    text = README.read_text(encoding="utf-8")
    assert str(module.SAMPLE).strip() in text
    assert module.SAMPLE_SOURCE.strip() in text


@any_format
def test_the_readme_names_every_key_of_read(module):
    text = README.read_text(encoding="utf-8")
    section = text.split(f"\n### {module.NAME}\n")[1].split("\n### ")[0]
    for key in module.Options.model_fields:
        assert f"`{key}`" in section, key


def test_the_readme_shows_an_error_as_it_is_told():
    error = README.parents[1] / "tests/broken_logs/several_problems/expected.txt"
    assert error.read_text(encoding="utf-8").strip() in README.read_text(encoding="utf-8")


def test_formats_are_found_by_their_names():
    assert list(formats.BY_NAME) == [module.NAME for module in FORMATS]
    assert {"text", "delimited", "json_lines", "key_value", "sqlite", "syslog", "parquet"} <= formats.BY_NAME.keys()


# ---- delimited

DELIMITED = """
    cell = "c1"
    format = "delimited"
    files = ["inbox/*"]
    [time]
    formats = ["%d.%m.%Y %H:%M:%S"]
    [read]
    columns = ["time", "_", "word", "value"]
    [[rules]]
    emit = [{ kind = "count", value = "{value}", text = "{word}" }]
"""


def test_a_line_with_too_many_and_one_with_too_few_fields_are_both_found(tmp_path):
    """Their delimiters add up to those of two good lines, so counting all of them is not enough."""
    log = """
        23.10.2026 06:00:00;x;a;1
        23.10.2026 06:00:01;x;b
        23.10.2026 06:00:02;x;c;3;4
        23.10.2026 06:00:03;x;d;5
    """
    summary, store = loaded(plant(tmp_path, {"inbox/a.csv": log}, DELIMITED))
    assert reasons(store) == [(2, "4 fields expected, 3 found"), (3, "4 fields expected, 5 found")]
    assert all_events(store)["line"].to_list() == [1, 4]
    assert summary.total("lines") == 4


def test_a_decimal_comma_is_read_as_such(tmp_path):
    events = events_of(tmp_path, DELIMITED, "23.10.2026 06:00:00;x;a;1,5\n23.10.2026 06:00:01;x;a;2.5\n")
    assert events["value"].to_list() == [1.5, 2.5]


def test_one_wrong_number_does_not_spoil_the_right_ones(tmp_path):
    log = "23.10.2026 06:00:00;x;a;1,5\n23.10.2026 06:00:01;x;a;oops\n23.10.2026 06:00:02;x;a;\n"
    _, store = loaded(plant(tmp_path, {"inbox/a.csv": log}, DELIMITED))
    assert all_events(store)["value"].to_list() == [1.5, None]
    assert reasons(store) == [(2, "'oops' of field value is not a number")]


def test_quotes_may_hold_delimiters_and_an_open_quote_spoils_only_its_line(tmp_path):
    log = """
        23.10.2026 06:00:00;x;"a;b";1
        23.10.2026 06:00:01;x;"a;2
        23.10.2026 06:00:02;x;"c ""d"" e";3
        23.10.2026 06:00:03;x;5" pipe" ;4
    """
    _, store = loaded(plant(tmp_path, {"inbox/a.csv": log}, DELIMITED))
    assert all_events(store)["text"].to_list() == ["a;b", 'c "d" e']
    assert [line for line, _ in reasons(store)] == [2, 4]
    assert reasons(store)[0][1] == "a quote is not closed, or stands inside a word"


def test_a_header_names_the_columns_and_counts_as_skipped(tmp_path):
    source = DELIMITED.replace('columns = ["time", "_", "word", "value"]', "header = true\nskip_first = 1")
    log = "exported by hand\nvalue;time;word\n1;23.10.2026 06:00:00;a\n"
    summary, store = loaded(plant(tmp_path, {"inbox/a.csv": log}, source))
    assert all_events(store)["value"].to_list() == [1.0]
    assert (summary.total("lines"), summary.total("skipped")) == (3, 2)


def test_a_header_may_stand_below_blank_lines_and_comments(tmp_path):
    source = DELIMITED.replace('columns = ["time", "_", "word", "value"]', 'header = true\n    comment = "#"')
    log = "# made by hand\n\nvalue;time;word\n# now\n1;23.10.2026 06:00:00;a\n"
    summary, store = loaded(plant(tmp_path, {"inbox/a.csv": log}, source))
    assert all_events(store).select("value", "line").row(0) == (1.0, 5)
    assert (summary.total("lines"), summary.total("skipped")) == (5, 4)


def test_a_tab_or_any_other_character_delimits(tmp_path):
    source = DELIMITED.replace("[read]", '[read]\n    delimiter = "\\t"')
    events = events_of(tmp_path, source, "23.10.2026 06:00:00\tx\ta;b\t1\n")
    assert events["text"].to_list() == ["a;b"]


# ---- JSON lines

JSON = """
    cell = "c1"
    format = "json_lines"
    files = ["inbox/*"]
    [time]
    field = "head.at"
    formats = ["iso8601"]
    [[rules]]
    emit = [{ kind = "measurement", value = "{data.value}", part = "{data.parts.0.id}", text = "{ok}" }]
"""


def test_fields_lie_in_objects_and_in_lists(tmp_path):
    log = '{"head":{"at":"2026-10-23T06:00:00Z"},"data":{"value":1.5,"parts":[{"id":"p1"},{"id":"p2"}]},"ok":true}\n'
    events = events_of(tmp_path, JSON, log)
    assert events.select("value", "part", "text").row(0) == (1.5, "p1", "true")
    assert json_path("data.parts.0.id") == "$['data']['parts'][0]['id']"


def test_a_line_that_is_no_object_is_quarantined_and_the_others_are_read(tmp_path):
    source = JSON.replace(', part = "{data.parts.0.id}"', "")
    good = '{"head":{"at":"2026-10-23T06:00:00Z"},"data":{"value":"2,5"},"other":null}'
    log = f'{good}\n{{"head":\n[1,2]\n"text"\nnull\n\n{good}\n'
    summary, store = loaded(plant(tmp_path, {"inbox/a.jsonl": log}, source))
    assert all_events(store)["value"].to_list() == [2.5, 2.5]
    assert [line for line, _ in reasons(store)] == [2, 3, 4, 5]
    assert summary.total("skipped") == 1


def test_an_object_where_a_word_was_expected_is_told_as_what_it_is(tmp_path):
    source = JSON.replace(', part = "{data.parts.0.id}"', "")
    log = '{"head":{"at":"2026-10-23T06:00:00Z"},"data":{"value":{"x":1}}}\n'
    _, store = loaded(plant(tmp_path, {"inbox/a.jsonl": log}, source))
    assert reasons(store) == [(1, "'{\"x\":1}' of field data.value is not a number")]


# ---- key=value

PAIRS = """
    cell = "c1"
    format = "key_value"
    files = ["inbox/*"]
    [time]
    field = "t"
    formats = ["epoch_s", "iso8601"]
    [[rules]]
    when = { ev = "x" }
    emit = [{ kind = "alarm_on", code = "{code}", text = "{text}" }]
"""


def test_a_quoted_value_may_hold_blanks_quotes_and_what_looks_like_a_pair(tmp_path):
    log = '<13> unit7: t=1792735200 ev=x text="t=5 ev=y \\"now\\" code=1" code=P1\n'
    assert events_of(tmp_path, PAIRS, log).select("code", "text").row(0) == ("P1", 't=5 ev=y "now" code=1')


def test_pairs_may_be_divided_by_other_signs(tmp_path):
    source = PAIRS.replace("[[rules]]", '[read]\n    pair = ":"\n    delimiter = ";"\n    [[rules]]', 1)
    log = "t: 1792735200; ev: x; text: two words; code: P1\n"
    assert events_of(tmp_path, source, log).select("code", "text").row(0) == ("P1", "two words")


def test_a_line_without_a_pair_or_with_an_open_quote_is_quarantined(tmp_path):
    log = 't=1792735200 ev=x text="open\nnothing here\nt=1792735201 ev=x code=1\n'
    _, store = loaded(plant(tmp_path, {"inbox/a.kv": log}, PAIRS))
    assert reasons(store) == [(1, "a quote is not closed"), (2, "line has no pair of the form key=value")]
    assert all_events(store)["code"].to_list() == ["1"]


# ---- a field called line


@pytest.mark.parametrize(
    ("form", "read", "log"),
    [
        ("json_lines", "", '{"t":1792735207,"line":"L3"}\n'),
        ("key_value", "", "t=1792735207 line=L3\n"),
        ("delimited", "header = true", "t;line\n1792735207;L3\n"),
        ("delimited", 'columns = ["t", "line"]', "1792735207;L3\n"),
    ],
)
def test_a_field_that_the_log_calls_line_is_line_(form, read, log, tmp_path):
    """`line` is the number of the record; many a log calls a production line so, too."""
    source = f"""
        cell = "c1"
        format = "{form}"
        files = ["inbox/*.log"]
        [time]
        field = "t"
        formats = ["epoch_s"]
        [read]
        {read}
        [[rules]]
        emit = [{{ kind = "count", station = "{{line_}}" }}]
    """
    assert events_of(tmp_path, source, log)["station"].to_list() == ["L3"]


# ---- SQLite

TABLES = """
    cell = "{cell}"
    format = "sqlite"
    files = ["inbox/*.sqlite"]
    [time]
    formats = ["iso8601"]
    zone = "UTC"
    [read]
    tables = ["orders"]
    [read.queries]
    late = "select cell, done_utc, count(*) as n from orders where done_utc > '2026-10-23 12' group by cell, done_utc"
    [[rules]]
    when = { table = "orders", done_utc = { present = true } }
    emit = [
        { kind = "order_start", time = "begun_utc", order = "{nr}", value = "{quantity}" },
        { kind = "order_end", time = "done_utc", order = "{nr}" },
    ]
    [[rules]]
    when = { table = "orders" }
    emit = [{ kind = "order_start", time = "begun_utc", order = "{nr}", value = "{quantity}" }]
    [[rules]]
    when = { table = "late" }
    emit = [{ kind = "reason", time = "done_utc", value = "{n}" }]
"""


def sqlite_plant(folder: Path, source: str = TABLES) -> Path:
    plant(folder, {}, source)
    (folder / "inbox").mkdir()
    with closing(sqlite3.connect(folder / "inbox/host.sqlite")) as connection:
        connection.executescript("""
            create table orders (nr text, cell text, quantity integer, begun_utc text, done_utc text);
            insert into orders values ('A1', 'c1', 20, '2026-10-23 06:00:00', '2026-10-23 13:00:00');
            insert into orders values ('A2', 'c2', 30, '2026-10-23 13:30:00.5', null);
            insert into orders values ('A3', 'c2', 'many', '2026-10-23 13:30:00.5', null);
        """)
    return folder


def test_tables_and_queries_of_an_sqlite_file_are_rows(tmp_path):
    summary, store = loaded(sqlite_plant(tmp_path))
    assert store.cells() == ["c1", "c2"]
    events = all_events(store)
    assert events["kind"].to_list() == ["order_start", "order_end", "reason", "order_start"]
    assert events["value"].to_list() == [20.0, None, 1.0, 30.0]
    assert summary.total("lines") == 4
    [entry] = store.quarantine().to_dicts()
    assert entry["reason"] == "'many' of field quantity is not a number"
    assert '"nr":"A3"' in entry["text"]


def test_an_sqlite_file_that_is_loaded_twice_gives_nothing_new(tmp_path):
    folder = sqlite_plant(tmp_path)
    load(folder)
    assert load(folder).loaded == ()
    assert Store.open(folder / "store").generation == 1
