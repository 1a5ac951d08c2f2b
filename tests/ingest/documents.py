"""Reads one document by a format alone, without a plant. No test in here."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from ingest.formats import Format
from ingest.raw import RawFile

Row = dict[str, Any]


def read(
    module: Format, path: Path, fields: list[str], **options: Any
) -> tuple[list[Row], list[tuple[int, str, str]], int]:
    """Return rows, bad lines (line, reason, text) and how many were skipped; each line is in exactly one of them."""
    chosen = module.Options(**options)
    rows: list[Row] = []
    bad: list[tuple[int, str, str]] = []
    skipped = lines = 0
    parse = None
    for block in module.blocks(RawFile(path, path.name), chosen):
        assert block.first == lines + 1
        parse = parse or module.parser(chosen, fields, {}, block, path.name)
        records = parse(block)
        assert records.frame.columns == ["line", *fields]
        rows += records.frame.rows(named=True)
        bad += [*(block.bad.rows() if block.bad is not None else []), *records.bad.rows()]
        skipped += records.skipped
        lines += block.lines
    numbers = [*(r["line"] for r in rows), *(n for n, _, _ in bad)]
    assert len(set(numbers)) == len(numbers) == lines - skipped
    assert not numbers or 1 <= min(numbers) <= max(numbers) <= lines
    return rows, bad, skipped
