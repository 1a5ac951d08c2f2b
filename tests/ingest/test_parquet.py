"""Parquet and Arrow files: any type of column becomes words, and a damaged file is told."""

from __future__ import annotations

import gzip
import io
from collections.abc import Callable
from datetime import UTC, date, datetime, time, timedelta
from decimal import Decimal

import polars as pl
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from ingest.errors import InputError
from ingest.formats import parquet
from ingest.formats.words import as_words
from ingest.load import load
from ingest.raw import RawFile
from ingest.store import Store
from tests.ingest.plants import all_events, loaded, plant, reasons

SOURCE = """
    cell = "c1"
    format = "parquet"
    files = ["inbox/*"]
    [time]
    field = "at"
    formats = ["iso8601"]
    [[rules]]
    emit = [{ kind = "count", value = "{n}", seq = "{n}", part = "{part.id}" }]
"""

SIX = datetime(2026, 10, 23, 6)


def table(rows: int = 3, zone: str | None = "Europe/Berlin") -> pa.Table:
    at = pa.array([SIX + timedelta(seconds=n) for n in range(rows)], pa.timestamp("us", zone))
    part = pa.array([{"id": f"P{n}"} for n in range(rows)])
    return pa.table({"at": at, "n": pa.array(range(rows), pa.float64()), "part": part})


def as_parquet(rows: pa.Table, **options: object) -> bytes:
    buffer = io.BytesIO()
    pq.write_table(rows, buffer, **options)
    return buffer.getvalue()


def as_ipc_file(rows: pa.Table) -> bytes:
    buffer = io.BytesIO()
    with pa.ipc.new_file(buffer, rows.schema) as writer:
        writer.write_table(rows)
    return buffer.getvalue()


def as_ipc_stream(rows: pa.Table) -> bytes:
    buffer = io.BytesIO()
    with pa.ipc.new_stream(buffer, rows.schema) as writer:
        writer.write_table(rows)
    return buffer.getvalue()


any_kind = pytest.mark.parametrize("write", [as_parquet, as_ipc_file, as_ipc_stream])


@any_kind
@pytest.mark.parametrize("pack", [bytes, gzip.compress], ids=["plain", "gz"])
def test_rows_of_parquet_and_arrow_files_are_records(write: Callable[[pa.Table], bytes], pack, tmp_path):
    """pyarrow takes a wall-clock time without zone for UTC when it makes a column with a zone of it."""
    summary, store = loaded(plant(tmp_path, {"inbox/a": pack(write(table()))}, SOURCE))
    events = all_events(store)
    assert events["ts_source"][0] == datetime(2026, 10, 23, 6, tzinfo=UTC)
    assert events.select("value", "seq", "part", "line").rows() == [(0, 0, "P0", 1), (1, 1, "P1", 2), (2, 2, "P2", 3)]
    assert (summary.total("lines"), summary.total("quarantined")) == (3, 0)


def test_a_time_without_zone_is_of_the_zone_that_the_source_names(tmp_path):
    _, store = loaded(plant(tmp_path, {"inbox/a": as_parquet(table(1, None))}, SOURCE))
    assert all_events(store)["ts_source"].item() == datetime(2026, 10, 23, 4, tzinfo=UTC)


def words_of(**columns: pl.Series) -> dict[str, list[str | None]]:
    return as_words(pl.DataFrame(columns)).to_dict(as_series=False)


@pytest.mark.parametrize(
    ("values", "dtype", "words"),
    [
        ([SIX, None], pl.Datetime("us"), ["2026-10-23T06:00:00", None]),
        ([SIX.replace(microsecond=12345)], pl.Datetime("ns"), ["2026-10-23T06:00:00.012345"]),
        ([SIX.replace(microsecond=250000)], pl.Datetime("ms", "UTC"), ["2026-10-23T06:00:00.250Z"]),
        ([date(2026, 10, 23)], pl.Date, ["2026-10-23"]),
        ([time(6, 0, 1, 500000)], pl.Time, ["06:00:01.500"]),
        ([timedelta(minutes=1, milliseconds=500), timedelta(hours=2)], pl.Duration("ms"), ["60.5", "7200"]),
        ([1.0, 1.5, -2.0, 1e22, None], pl.Float64, ["1", "1.5", "-2", "1e+22", None]),
        ([0.1], pl.Float32, ["0.1"]),
        ([2**64 - 1], pl.UInt64, ["18446744073709551615"]),
        ([Decimal("1.50")], pl.Decimal(10, 2), ["1.50"]),
        ([True, False], pl.Boolean, ["true", "false"]),
        (["a", "b"], pl.Categorical, ["a", "b"]),
        ([b"\x00\xff"], pl.Binary, ["00ff"]),
        ([None, None], pl.Null, [None, None]),
    ],
    ids=lambda value: str(value)[:30],
)
def test_values_of_any_type_become_words(values, dtype, words):
    assert words_of(x=pl.Series(values, dtype=dtype)) == {"x": words}


def test_members_of_structs_lists_and_maps_are_fields():
    struct = pl.Series([{"a": 1, "b": {"c": "x"}}, None])
    assert words_of(s=struct) == {"s.a": ["1", None], "s.b.c": ["x", None]}
    assert words_of(l=pl.Series([[1, 2], [], None])) == {"l.0": ["1", None, None], "l.1": ["2", None, None]}
    assert words_of(l=pl.Series([[{"q": 1}]])) == {"l.0.q": ["1"]}
    assert words_of(l=pl.Series([[1, 2]], dtype=pl.Array(pl.Int8, 2))) == {"l.0": ["1"], "l.1": ["2"]}
    map_ = pa.array([[("k", 1), ("j", 2)], [], [("j", 3)], None], pa.map_(pa.string(), pa.int64()))
    assert words_of(m=pl.Series(map_)) == {"m.k": ["1", None, None, None], "m.j": ["2", None, "3", None]}


def test_bytes_of_a_text_column_are_text_and_windows_1252_where_they_are_no_utf_8():
    frame = pl.DataFrame({"x": [b"pi\xc3\xa8ce", b"pi\xe8ce", None]})
    assert as_words(frame, ["x"])["x"].to_list() == ["pièce", "pièce", None]
    assert as_words(frame.head(1), ["x"])["x"].to_list() == ["pièce"]


@pytest.mark.parametrize("dtype", [pl.Datetime("us"), pl.Datetime("ns", "UTC"), pl.Datetime("ms"), pl.Date])
def test_times_outside_of_any_calendar_are_no_times_but_do_no_harm(dtype):
    last = 2**31 - 1 if dtype == pl.Date else 2**63 - 1
    words = as_words(pl.DataFrame({"x": pl.Series([0, last, -last]).cast(dtype)}))["x"].to_list()
    assert words[0].startswith("1970-01-01")
    if not isinstance(dtype, pl.Datetime) or dtype.time_unit != "ns":  # of nanoseconds, all are within a calendar
        assert words[1:] == [f"#{last}", f"#{-last}"]


def test_a_row_that_gives_no_event_is_quarantined_with_its_fields(tmp_path):
    rows = pa.table({"at": ["2026-10-23T06:00:00Z", "soon"], "n": [1, 2], "part": [{"id": "A"}, {"id": "B"}]})
    _, store = loaded(plant(tmp_path, {"inbox/a": as_parquet(rows)}, SOURCE))
    [entry] = store.quarantine().to_dicts()
    assert (entry["line"], entry["reason"]) == (2, "time 'soon' fits none of the formats")
    assert entry["text"] == '{"at":"soon","n":"2","part.id":"B"}'


def blocks_of(path, **options: object) -> list[tuple[int, int]]:
    file = RawFile(path, path.name)
    return [(block.first, block.lines) for block in parquet.blocks(file, parquet.Options(**options))]


@any_kind
def test_large_files_come_in_blocks_whatever_their_row_groups_are(write, tmp_path):
    rows = 120_001
    (tmp_path / "a").write_bytes(write(pa.table({"n": pa.array(range(rows))})))
    blocks = blocks_of(tmp_path / "a")
    assert max(lines for _, lines in blocks) <= parquet.ROWS
    assert [first for first, _ in blocks] == [1 + sum(n for _, n in blocks[:i]) for i in range(len(blocks))]
    assert sum(lines for _, lines in blocks) == rows


def test_only_the_columns_that_are_named_are_read(tmp_path):
    (tmp_path / "a").write_bytes(as_ipc_file(pa.table({"n": [1], "odd": pa.array([pa.MonthDayNano([1, 2, 3])])})))
    [block] = parquet.blocks(RawFile(tmp_path / "a", "a"), parquet.Options(columns=["n"]))
    assert block.frame is not None
    assert block.frame.columns == ["n"]
    with pytest.raises(InputError, match="Column 'odd' is of a type that has no words"):
        blocks_of(tmp_path / "a")
    with pytest.raises(InputError, match="There is no column 'm'"):
        blocks_of(tmp_path / "a", columns=["m"])


def test_a_column_that_is_not_there_is_told_unless_it_is_optional(tmp_path):
    rows = table().drop_columns(["n"])
    folder = plant(tmp_path, {"inbox/a": as_parquet(rows)}, SOURCE)
    [refused] = load(folder).refused
    assert refused.problem.message == "There is no column 'n', which the source asks for."
    plant(folder, {}, SOURCE.replace("[[rules]]", '[read]\n    optional = ["n"]\n    [[rules]]'))
    assert load(folder).total("events") == 3


@any_kind
def test_a_file_that_is_cut_off_is_refused_wherever_it_ends(write, tmp_path):
    whole = write(table(1000))
    for end in range(12, len(whole) - 8, len(whole) // 37):
        (tmp_path / "a").write_bytes(whole[:end])
        with pytest.raises(InputError, match="damaged or not complete"):
            blocks_of(tmp_path / "a")


def test_a_checksum_tells_a_page_whose_bytes_changed(tmp_path):
    data = bytearray(as_parquet(table(1000), write_page_checksum=True, compression="none", use_dictionary=False))
    data[2000] ^= 1
    (tmp_path / "a").write_bytes(data)
    with pytest.raises(InputError, match="damaged or not complete"):
        blocks_of(tmp_path / "a")


def test_other_files_are_told_and_an_empty_one_is_counted(tmp_path):
    folder = plant(tmp_path, {"inbox/a": b"at;n\n1;2\n", "inbox/b": b"", "inbox/c": as_parquet(table(1))}, SOURCE)
    summary = load(folder)
    [refused] = summary.refused
    assert (refused.file, refused.problem.message) == ("inbox/a", "This is neither a Parquet nor an Arrow file.")
    store = Store.open(folder / "store")
    assert reasons(store) == [(0, "the file is empty")]
    assert summary.total("events") == 1


def test_a_column_that_stands_twice_is_refused(tmp_path):
    (tmp_path / "a").write_bytes(as_ipc_file(pa.table([pa.array([1]), pa.array([2])], names=["n", "n"])))
    with pytest.raises(InputError, match="stands twice"):
        blocks_of(tmp_path / "a")
