"""Where a quick way and a careful one exist, both give the same."""

from __future__ import annotations

import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ingest.expressions import as_number, numbers_of
from ingest.formats import delimited, json_lines
from ingest.formats.base import Records
from ingest.raw import Block
from ingest.regex import for_ascii, groups_of

FIELD = st.text(st.sampled_from("aZ09 .,-_#"), max_size=4)
LINE = st.lists(FIELD, min_size=1, max_size=5).map(";".join)
TYPES: dict[str, pl.DataType] = {"n": pl.Float64(), "i": pl.Int64()}


def block(lines: list[str], first: int = 9) -> Block:
    return Block("".join(line + "\n" for line in lines).encode(), first, len(lines))


def records(options: delimited.Options, lines: list[str], types: dict[str, pl.DataType]) -> Records:
    fields = ["a", "i", "n"]
    return delimited.parser(options, fields, types, block(lines), "x")(block(lines))


@settings(max_examples=200, deadline=None)
@given(st.lists(LINE, min_size=1, max_size=8))
def test_delimited_lines_are_read_the_same_at_once_and_one_by_one(lines):
    """A comment sign that never occurs makes the careful way; types make the quick one quicker."""
    columns = ["a", "n", "_", "i"]
    quick = records(delimited.Options(columns=columns), lines, TYPES)
    careful = records(delimited.Options(columns=columns, comment="\x01"), lines, {})
    assert quick.bad.rows() == careful.bad.rows()
    assert quick.skipped == careful.skipped
    for read in (quick, careful):
        read.frame = read.frame.with_columns(
            numbers_of(read.frame["n"]).alias("n"), pl.col("i").cast(pl.Int64, strict=False)
        )
    assert quick.frame.rows() == careful.frame.rows()


PATTERNS = [
    r"^(?P<a>\d+)[;\s](?P<b>[\w.-]*)$",
    r"(?P<a>\w+)\b(?P<b>\W*)",
    r"(?i)(?P<a>a[^\d\s]*)(?P<b>\S?)",
    r"^(?P<a>[]\d]+)(?P<b>[^\w])",
    r"(?x) (?P<a> \d{2} ) \s (?P<b> [a-c&&[^b]\s] )",
]


@pytest.mark.parametrize("pattern", PATTERNS)
@settings(deadline=None)
@given(lines=st.lists(st.text(st.characters(max_codepoint=127, exclude_characters="\n"), max_size=12), max_size=10))
def test_a_pattern_for_ascii_finds_the_same_in_ascii(pattern, lines):
    quick = for_ascii(pattern)
    assert groups_of(quick) == ["a", "b"]
    text = pl.Series(lines, dtype=pl.String)
    assert text.str.extract_groups(quick).to_list() == text.str.extract_groups(pattern).to_list()


@given(st.lists(st.one_of(st.none(), st.floats().map(str), FIELD), min_size=1))
def test_numbers_are_the_same_with_and_without_commas_around(words):
    column = pl.Series(words, dtype=pl.String)
    assert numbers_of(column).to_list() == column.to_frame("n").select(as_number(pl.col("n"))).to_series().to_list()


def test_objects_that_are_not_all_of_one_shape_keep_their_words():
    """The quick way needs one shape; an object where a word was expected makes the careful one."""
    parse = json_lines.parser(json_lines.Options(), ["a.b", "c"], {}, block([]), "x")
    one = '{"a":{"b":1.5},"c":true}'
    other = '{"a":{"b":{"x":1}},"c":null}'
    assert parse(block([one])).frame.rows() == [(9, "1.5", "true")]
    assert parse(block([one, other])).frame.rows() == [(9, "1.5", "true"), (10, '{"x":1}', None)]
