"""A workbook's bytes -> the cells of one sheet as words, and which of them are merged or hold an error."""

from __future__ import annotations

import io
import re
import zipfile
import zlib
from dataclasses import dataclass
from typing import Final, cast

import fastexcel
import polars as pl

from ingest.errors import InputError, suggest
from ingest.formats.rows import panics_caught
from ingest.raw import RawFile

LARGEST: Final = 256 << 20  # bytes of an unpacked workbook: it is held in memory as a whole
_OLE: Final = b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1"
_ISO_SPAN: Final = re.compile(r"P(?:(\d+)D)?T(?:(\d+)H)?(?:(\d+)M)?(?:(\d+(?:[.,]\d+)?)S)?['\"]")
_MERGE: Final = re.compile(rb'<(?:\w+:)?mergeCell\b[^>]*?\bref="([A-Z]{1,3})(\d{1,7}):([A-Z]{1,3})(\d{1,7})"')
_SHEET: Final = re.compile(rb"<(?:\w+:)?sheet\b[^>]*>")
_RELATION: Final = re.compile(rb"<(?:\w+:)?Relationship\b[^>]*>")
_PART: Final = re.compile(rb'\s(?:\w+:)?(name|id|Id|Target)="([^"]*)"')


@dataclass(frozen=True, slots=True)
class Sheet:
    """The cells of a sheet, row by row from its first one: dates and times as fastexcel writes them.

    columns    one of words per column that holds anything, blanks around words taken off
    positions  of each column in the sheet, 0 is A
    merged     (row, column) of cells that lie below another one in a merged area; rows and columns of `columns` from 0
    faulty     (row, column) of cells whose formula gave an error
    """

    columns: list[pl.Series]
    positions: list[int]
    height: int
    merged: list[tuple[int, int]]
    faulty: list[tuple[int, int]]


def open_sheet(file: RawFile, which: str | int) -> Sheet | None:
    """Read one sheet; None when the file is empty. Raises InputError when that cannot be done."""
    data = _content(file)
    if not data:
        return None
    try:
        with panics_caught():
            book = fastexcel.read_excel(data)
            number = _number(book.sheet_names, which, file)
            loaded = book.load_sheet(number, header_row=None, skip_rows=0, dtypes="string")
            batch, errors = loaded.to_arrow_with_errors()
    except InputError:
        raise
    except Exception as err:  # the reader's own, and those of the libraries below it
        raise _damaged(file, data, err) from err
    words = cast(pl.DataFrame, pl.from_arrow(batch))
    told, faulty = _not_words(errors)
    columns = [_bare(_with(words[name], told.get(n, {}))) for n, name in enumerate(words.columns)]
    positions = [column.absolute_index for column in loaded.selected_columns]
    merged = _merged(data, book.sheet_names[number], words.height, positions)
    return Sheet(columns, positions, words.height, merged, faulty) if columns else None


def _content(file: RawFile) -> bytes:
    with file.content() as stream:
        parts, size = [], 0
        while part := stream.read(1 << 20):
            parts.append(part)
            size += len(part)
            if size > LARGEST:
                raise _too_large(file, size)
    data = b"".join(parts)
    if data.startswith(b"PK") and (unpacked := _unpacked(data)) > LARGEST:
        raise _too_large(file, unpacked)
    return data


def _unpacked(data: bytes) -> int:
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as parts:
            return sum(part.file_size for part in parts.infolist())
    except (zipfile.BadZipFile, ValueError, OSError, NotImplementedError, EOFError):
        return 0  # the reader says what is wrong


def _too_large(file: RawFile, size: int) -> InputError:
    return InputError(
        "The workbook is too large to be read.", where=file.shown, found=f"more than {size >> 20:,} MiB",
        allowed=f"up to {LARGEST >> 20:,} MiB unpacked", fix='Save it as CSV: format = "delimited".',
    )  # fmt: skip


def _damaged(file: RawFile, data: bytes, err: Exception) -> InputError:
    if data.startswith(_OLE) and ("EncryptedPackage".encode("utf-16-le") in data or "password" in str(err).lower()):
        return InputError(
            "The workbook is protected by a password.", where=file.shown, fix="Save it without one, and load again."
        )
    said = str(err).strip().splitlines()[0][:200] if str(err).strip() else type(err).__name__
    return InputError(
        f"The workbook cannot be read: {said}", where=file.shown, found=repr(data[:8]),
        fix="Check that it is an .xlsx, .xls or .ods file and that it opens; copy it again, or save it anew.",
    )  # fmt: skip


def _number(names: list[str], which: str | int, file: RawFile) -> int:
    """Return the number of a sheet, from 0."""
    if isinstance(which, str) and which in names:
        return names.index(which)
    if isinstance(which, int) and 1 <= which <= len(names):
        return which - 1
    raise InputError(
        f"There is no sheet {which!r}.", where=file.shown, allowed=", ".join(names) or "the workbook has no sheet",
        fix=suggest(str(which), names) or "Correct [read] sheet in the source: a name, or a number from 1.",
    )  # fmt: skip


def _not_words(errors: fastexcel.CellErrors | None) -> tuple[dict[int, dict[int, str]], list[tuple[int, int]]]:
    """Return the spans of time of an ods sheet, which the reader has no words for (column -> row -> word), and the
    (row, column) of cells whose formula failed.
    """
    told: dict[int, dict[int, str]] = {}
    faulty: list[tuple[int, int]] = []
    for error in errors.errors if errors else []:
        row, column = error.offset_position
        if span := _ISO_SPAN.search(error.detail):
            days, hours, minutes, seconds = (float((part or "0").replace(",", ".")) for part in span.groups())
            whole, fraction = divmod(days * 86400 + hours * 3600 + minutes * 60 + seconds, 1)
            clock = f"{int(whole) // 3600:02}:{int(whole) // 60 % 60:02}:{int(whole) % 60:02}"
            told.setdefault(column, {})[row] = clock + (f"{fraction:.3f}"[1:] if fraction >= 0.001 else "")
        else:
            faulty.append((row, column))
    return told, faulty


def _with(cells: pl.Series, told: dict[int, str]) -> pl.Series:
    return cells.scatter(list(told), list(told.values())) if told else cells


def _bare(cells: pl.Series) -> pl.Series:
    """Take blanks and ends of line off; what is nothing else is empty."""
    words = cells.str.strip_chars().str.replace_all(r"\s*[\r\n]+\s*", " ")
    return words.replace("", None)


def _merged(data: bytes, name: str, height: int, positions: list[int]) -> list[tuple[int, int]]:
    """Find the cells below another one in the merged areas of an xlsx sheet. Other workbooks do not tell."""
    cells: list[tuple[int, int]] = []
    for area in _MERGE.finditer(_sheet_xml(data, name)):
        left, right = _position(area[1]), _position(area[3])
        for n, position in enumerate(positions):
            if left <= position <= right:
                cells += [(row, n) for row in range(int(area[2]), min(int(area[4]), height))]
    return cells


def _position(letters: bytes) -> int:
    number = 0
    for letter in letters:
        number = number * 26 + letter - 64
    return number - 1


def _sheet_xml(data: bytes, name: str) -> bytes:
    """Return the part of an xlsx workbook that holds a sheet; nothing when it is another kind of workbook."""
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as parts:
            book = parts.read("xl/workbook.xml")
            relations = parts.read("xl/_rels/workbook.xml.rels")
            sheets = [dict(_PART.findall(tag)) for tag in _SHEET.findall(book)]
            target = {r[b"Id"]: r[b"Target"] for r in (dict(_PART.findall(t)) for t in _RELATION.findall(relations))}
            wanted = next(target[s[b"id"]] for s in sheets if _unescaped(s[b"name"]) == name)
            path = wanted.decode().lstrip("/")
            return parts.read(path if path.startswith("xl/") else f"xl/{path}")
    except (
        zipfile.BadZipFile,
        KeyError,
        StopIteration,
        ValueError,
        OSError,
        NotImplementedError,
        EOFError,
        zlib.error,
    ):
        return b""


def _unescaped(text: bytes) -> str:
    words = text.decode(errors="replace")
    for mark, char in (("&lt;", "<"), ("&gt;", ">"), ("&quot;", '"'), ("&apos;", "'"), ("&amp;", "&")):
        words = words.replace(mark, char)
    return words
