"""Thousands of damaged Parquet, Arrow, SQLite and workbook files: each is read, row by row, or refused in words."""

from __future__ import annotations

import io
import tomllib
import zipfile
from collections.abc import Iterator
from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from ingest.errors import InputError
from ingest.formats import Format, parquet, spreadsheet, sqlite
from ingest.raw import RawFile
from ingest.template import parse_template
from tests.ingest.mutate import mutations
from tests.ingest.samples import write_sample


def read(module: Format, path: Path) -> bool:
    """Read a file as its sample's source says; is anything in it? Raises InputError as formats do."""
    source = tomllib.loads(module.SAMPLE_SOURCE)
    options = module.Options.model_validate(source.get("read", {}))
    fields = [hole.field for hole in parse_template("{" + source["time"]["field"].strip("{}") + "}").holes]
    parse, next_row = None, 1
    for block in module.blocks(RawFile(path, path.name), options):
        parse = parse or module.parser(options, fields, {}, block, path.name)
        records = parse(block)
        assert block.first == next_row
        numbers = [*records.frame["line"], *records.bad["line"]]
        assert len(set(numbers)) == len(numbers)
        assert len(numbers) + records.skipped == block.lines
        next_row += block.lines
    return next_row > 1


def outcomes(module: Format, contents: Iterator[bytes], path: Path) -> dict[str, int]:
    """Read each content; returns how many were read and how many refused."""
    found = {"read": 0, "empty": 0, "refused": 0}
    told = []
    for content in contents:
        path.write_bytes(content)
        try:
            found["read" if read(module, path) else "empty"] += 1
        except InputError as err:
            found["refused"] += 1
            told.append(err.problem)
    assert all(problem.where.startswith(path.name) and problem.fix for problem in told)
    return found


def sample(module: Format, folder: Path) -> bytes:
    write_sample(folder / "whole", module)
    assert read(module, folder / "whole")
    return (folder / "whole").read_bytes()


def as_arrow(content: bytes, kind: str) -> bytes:
    rows = pq.read_table(io.BytesIO(content))
    buffer = io.BytesIO()
    with (pa.ipc.new_file if kind == "file" else pa.ipc.new_stream)(buffer, rows.schema) as writer:
        writer.write_table(rows)
    return buffer.getvalue()


def test_damaged_parquet_files_are_read_or_refused(tmp_path):
    found = outcomes(parquet, mutations(sample(parquet, tmp_path), 2000), tmp_path / "a")
    assert found["refused"] > 100


@pytest.mark.parametrize("kind", ["file", "stream"])
def test_damaged_arrow_files_are_read_or_refused(kind, tmp_path):
    content = as_arrow(sample(parquet, tmp_path), kind)
    found = outcomes(parquet, mutations(content, 1000), tmp_path / "a")
    assert found["refused"] > 100


def test_damaged_sqlite_files_are_read_or_refused(tmp_path):
    found = outcomes(sqlite, mutations(sample(sqlite, tmp_path), 2000), tmp_path / "a")
    assert found["refused"] > 100


def damaged_parts(content: bytes, n: int) -> Iterator[bytes]:
    """Yield workbooks one part of which is damaged, under the checksum of what it is then."""
    with zipfile.ZipFile(io.BytesIO(content)) as book:
        parts = {name: book.read(name) for name in book.namelist()}
    for name in ("xl/workbook.xml", "xl/worksheets/sheet1.xml", "xl/sharedStrings.xml", "xl/styles.xml"):
        for part in mutations(parts[name], n):
            buffer = io.BytesIO()
            with zipfile.ZipFile(buffer, "w") as book:
                for other, data in parts.items():
                    book.writestr(other, part if other == name else data)
            yield buffer.getvalue()


def test_damaged_workbooks_are_read_or_refused(tmp_path):
    content = sample(spreadsheet, tmp_path)
    found = outcomes(spreadsheet, mutations(content, 500), tmp_path / "a")
    assert found["refused"] > 100
    found = outcomes(spreadsheet, damaged_parts(content, 375), tmp_path / "a")
    assert min(found["read"], found["refused"]) > 100
