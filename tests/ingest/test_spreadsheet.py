"""Sheets that people keep by hand: dates, times and spans of any cell, merged cells, blank rows, totals, faults."""

from __future__ import annotations

import io
import zipfile
from datetime import UTC, date, datetime, time, timedelta
from typing import Any

import pytest
import xlsxwriter

from ingest.errors import InputError
from ingest.formats import spreadsheet
from ingest.load import load
from ingest.raw import RawFile
from ingest.store import Store
from tests.ingest.plants import all_events, loaded, plant, reasons

SOURCE = """
    cell = "c1"
    format = "spreadsheet"
    files = ["inbox/*"]
    [time]
    field = "{Date} {From}"
    formats = ["iso8601", "%Y-%m-%d %H:%M", "%d.%m.%Y %H:%M"]
    [read]
    durations = { Took = "min" }
    [[rules]]
    emit = [{ kind = "reason", cause = "{Why}", value = "{Took} min", unit = "s" }]
"""
FILL = SOURCE.replace("[read]\n", '[read]\n    fill_down = ["Date"]\n')
HEAD = ("Date", "From", "Took", "Why")
DAY = date(2026, 10, 23)


def workbook(rows: list[tuple[Any, ...]], merge: str = "", sheet: str = "Stops", **options: Any) -> bytes:
    """Write a workbook with one sheet; a row of blanks is ()."""
    buffer = io.BytesIO()
    with xlsxwriter.Workbook(buffer, {"in_memory": True, **options}) as book:
        page = book.add_worksheet(sheet)
        forms = {
            kind: book.add_format({"num_format": form})
            for kind, form in {
                date: "dd.mm.yyyy", datetime: "dd.mm.yyyy hh:mm", time: "hh:mm", timedelta: "[h]:mm",
            }.items()
        }  # fmt: skip
        if merge:
            page.merge_range(merge, None)
        for r, row in enumerate(rows):
            for c, cell in enumerate(row):
                if type(cell) in forms:
                    page.write_datetime(r, c, cell, forms[type(cell)])
                elif isinstance(cell, str) and cell.startswith("="):
                    page.write_formula(r, c, cell, None, "#DIV/0!")
                elif cell is not None:
                    page.write(r, c, cell)
    return buffer.getvalue()


def cells_of(rows: list[tuple[Any, ...]], column: str, **options: Any) -> list[str | None]:
    """Return the words of a column below the header."""
    path = options.pop("path")
    path.write_bytes(workbook(rows, **options.pop("book", {})))
    [block] = spreadsheet.blocks(RawFile(path, "a.xlsx"), spreadsheet.Options(**options))
    assert block.frame is not None
    words: list[str | None] = block.frame[column].to_list()
    return words[1:]


@pytest.mark.parametrize("book", [{}, {"date_1904": True}], ids=["from 1900", "from 1904"])
@pytest.mark.parametrize(
    ("cells", "words"),
    [
        ([DAY, None], ["2026-10-23", None]),
        ([time(6, 15), time(0, 0), time(23, 59, 59)], ["06:15:00", "00:00:00", "23:59:59"]),
        ([datetime(2026, 10, 23), datetime(2026, 10, 23, 6, 15, 30)], ["2026-10-23T00:00:00", "2026-10-23T06:15:30"]),
        ([timedelta(hours=26, minutes=5), timedelta(minutes=5)], ["26:05:00", "00:05:00"]),
        ([15, 7.5, 0.1 + 0.2, 1e12], ["15", "7.5", "0.3", "1000000000000"]),
        ([True, " two\nlines ", "   ", "06:45"], ["true", "two lines", None, "06:45"]),
    ],
    ids=str,
)
def test_cells_of_any_type_are_written_as_people_mean_them(cells, words, book, tmp_path):
    rows = [("x", "y"), *((cell, "z") for cell in cells)]
    assert cells_of(rows, "x", path=tmp_path / "a.xlsx", book=book) == words


@pytest.mark.parametrize(
    ("cell", "minutes"),
    [
        (15, "15"), (7.5, "7.5"), (time(0, 5), "5"), ("0:05", "5"), ("1:30:30", "90.5"), (timedelta(hours=26), "1560"),
        ("10 min", "10"), ("1,5 h", "90"), ("90 s", "1.5"), ("a while", "a while"), (None, None),
    ],
)  # fmt: skip
def test_durations_become_numbers_of_one_unit_however_they_are_written(cell, minutes, tmp_path):
    rows = [("Took", "y"), (cell, "z")]
    assert cells_of(rows, "Took", path=tmp_path / "a.xlsx", durations={"Took": "min"}) == [minutes]


def test_a_downtime_sheet_kept_by_hand_gives_reasons_rounded_and_late(tmp_path):
    """One date for several rows, times as cells and as text, a blank row, a total; rows count as in the sheet."""
    rows = [
        HEAD,
        (DAY, time(6, 15), 15, "jam"),
        (None, "06:45", "0:05", "no parts"),
        (),
        (None, time(13, 30), time(0, 10), "jam"),
        ("22.10.2026", "21:30", 30, "entered a day late"),
        (None, "Total", 60),
    ]
    source = FILL.replace("[[rules]]", '[[skip]]\n    when = { From = "Total" }\n    [[rules]]')
    summary, store = loaded(plant(tmp_path, {"inbox/a.xlsx": workbook(rows, "A2:A3")}, source))
    assert all_events(store).select("ts_source", "kind", "cause", "value", "line").rows() == [
        (datetime(2026, 10, 22, 19, 30, tzinfo=UTC), "reason", "entered a day late", 1800, 6),
        (datetime(2026, 10, 23, 4, 15, tzinfo=UTC), "reason", "jam", 900, 2),
        (datetime(2026, 10, 23, 4, 45, tzinfo=UTC), "reason", "no parts", 300, 3),
        (datetime(2026, 10, 23, 11, 30, tzinfo=UTC), "reason", "jam", 600, 5),
    ]
    assert (summary.total("lines"), summary.total("skipped"), summary.total("quarantined")) == (7, 3, 0)


def test_a_merged_cell_counts_only_where_the_source_says_so(tmp_path):
    rows = [HEAD, (DAY, "06:15", 5, "jam"), (DAY, "06:45", 5, None), (DAY, "07:45", 5, "other")]
    folder = plant(tmp_path, {"inbox/a.xlsx": workbook(rows, "D2:D3")}, SOURCE)
    _, store = loaded(folder)
    assert all_events(store)["cause"].to_list() == ["jam", "other"]
    said = "the cell of column 'Why' is merged with the one above: name the column in [read] fill_down"
    assert reasons(store) == [(3, said)]
    plant(folder, {}, SOURCE.replace("[read]\n", '[read]\n    fill_down = ["Why"]\n'))
    assert all_events(loaded(folder)[1])["cause"].to_list() == ["jam", "jam", "other"]


def test_a_merged_cell_that_nobody_asks_for_does_no_harm(tmp_path):
    rows = [(*HEAD, "Note"), (DAY, "06:15", 5, "jam", "seen"), (DAY, "06:45", 5, "jam")]
    _, store = loaded(plant(tmp_path, {"inbox/a.xlsx": workbook(rows, "E2:E3")}, SOURCE))
    assert all_events(store).height == 2


def test_a_formula_that_failed_is_no_empty_cell(tmp_path):
    rows = [HEAD, (DAY, "06:15", "=1/0", "jam"), (DAY, "06:45", 5, "jam")]
    _, store = loaded(plant(tmp_path, {"inbox/a.xlsx": workbook(rows)}, SOURCE))
    assert all_events(store)["line"].to_list() == [3]
    assert reasons(store) == [(2, "the cell of column 'Took' holds an error, no value")]


def test_what_cannot_be_understood_is_quarantined_with_its_row(tmp_path):
    rows = [HEAD, (DAY, "06:15", "a while", "jam"), (DAY, None, 5, "jam"), (DAY, "early", 5, "jam")]
    summary, store = loaded(plant(tmp_path, {"inbox/a.xlsx": workbook(rows)}, SOURCE))
    assert [line for line, _ in reasons(store)] == [2, 3, 4]
    assert reasons(store)[0][1] == "'a while' of field Took is not a number"
    assert '"Took":"a while"' in store.quarantine()["text"][0]
    assert summary.total("lines") == summary.total("skipped") + 3


def test_sheet_header_and_first_row_can_be_chosen_and_blank_rows_and_columns_in_front_count(tmp_path):
    rows = [(), (None, None, "kept by hand"), (None, *HEAD), (None, "(day)"), (None, DAY, "06:15", 5, "jam")]
    source = SOURCE.replace("[read]\n", '[read]\n    sheet = "Line 3"\n    header = 3\n    first = 5\n')
    folder = plant(tmp_path, {"inbox/a.xlsx": workbook(rows, sheet="Line 3")}, source)
    assert all_events(loaded(folder)[1])["line"].to_list() == [5]
    named = '[read]\n    header = 0\n    first = 5\n    columns = ["_", "Date", "From", "Took", "Why"]\n'
    plant(folder, {}, SOURCE.replace("[read]\n", named))
    assert all_events(loaded(folder)[1])["cause"].to_list() == ["jam"]


def refusal(folder, content: bytes, source: str = SOURCE) -> str:
    [refused] = load(plant(folder, {"inbox/a.xlsx": content}, source)).refused
    return str(refused.problem)


def test_a_sheet_or_column_that_is_not_there_is_told(tmp_path):
    book = workbook([("Date", "From", "Took")])
    assert "There is no column 'Why', which the source asks for." in refusal(tmp_path / "a", book)
    low = SOURCE.replace("[read]\n", "[read]\n    header = 9\n")
    assert "header = 9, the sheet has 1 rows" in refusal(tmp_path / "b", book, low)
    for sheet in ('"Stopps"', "2"):
        message = refusal(tmp_path / sheet, book, SOURCE.replace("[read]\n", f"[read]\n    sheet = {sheet}\n"))
        assert "There is no sheet" in message
        assert "allowed: Stops" in message


def test_damaged_and_protected_workbooks_are_told_and_an_empty_sheet_is_counted(tmp_path):
    book = workbook([HEAD, (DAY, "06:15", 5, "jam")])
    assert "The workbook cannot be read" in refusal(tmp_path / "cut", book[: len(book) // 2])
    assert "The workbook cannot be read" in refusal(tmp_path / "text", b"Date;From\n")
    ole = b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + bytes(504) + "EncryptedPackage".encode("utf-16-le") + bytes(512)
    assert "The workbook is protected by a password" in refusal(tmp_path / "locked", ole)
    folder = plant(tmp_path / "empty", {"inbox/a.xlsx": workbook([]), "inbox/b.xlsx": book}, SOURCE)
    assert load(folder).total("events") == 1
    assert reasons(Store.open(folder / "store")) == [(0, "the file is empty")]


def test_a_workbook_that_unpacks_to_more_than_memory_holds_is_refused(tmp_path):
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED) as parts, parts.open("xl/workbook.xml", "w") as part:
        for _ in range(300):
            part.write(bytes(1 << 20))
    (tmp_path / "a").write_bytes(buffer.getvalue())
    with pytest.raises(InputError, match="too large"):
        list(spreadsheet.blocks(RawFile(tmp_path / "a", "a"), spreadsheet.Options()))


ODS = """<?xml version="1.0"?>
<office:document-content xmlns:office="urn:oasis:names:tc:opendocument:xmlns:office:1.0"
 xmlns:table="urn:oasis:names:tc:opendocument:xmlns:table:1.0"
 xmlns:text="urn:oasis:names:tc:opendocument:xmlns:text:1.0">
<office:body><office:spreadsheet><table:table table:name="Stops">{rows}</table:table></office:spreadsheet></office:body>
</office:document-content>"""


def test_an_ods_sheet_is_read_the_same(tmp_path):
    """Written by hand after OpenDocument 1.2: a date, a time (there a duration), a number, a covered cell."""
    cell = "<table:table-cell office:value-type={}>{}</table:table-cell>".format
    text = lambda word: cell('"string"', f"<text:p>{word}</text:p>")  # noqa: E731
    at = cell('"date" office:date-value="2026-10-23"', "<text:p>23.10.26</text:p>")
    rows = [
        [text(word) for word in HEAD],
        [at, cell('"time" office:time-value="PT06H15M00S"', ""), cell('"float" office:value="15"', ""), text("jam")],
        ["<table:covered-table-cell/>", text("06:45"), cell('"float" office:value="7.5"', ""), text("jam")],
    ]
    content = ODS.format(rows="".join(f"<table:table-row>{''.join(row)}</table:table-row>" for row in rows))
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w") as parts:
        parts.writestr("mimetype", "application/vnd.oasis.opendocument.spreadsheet")
        parts.writestr("META-INF/manifest.xml", '<?xml version="1.0"?><manifest:manifest xmlns:manifest="m"/>')
        parts.writestr("content.xml", content)
    _, store = loaded(plant(tmp_path, {"inbox/a.ods": buffer.getvalue()}, FILL))
    assert reasons(store) == []
    assert all_events(store).select("ts_source", "value").rows() == [
        (datetime(2026, 10, 23, 4, 15, tzinfo=UTC), 900), (datetime(2026, 10, 23, 4, 45, tzinfo=UTC), 450),
    ]  # fmt: skip
