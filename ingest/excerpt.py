"""A few raw lines of a log around one line: the last step of the way from a figure back to its source."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import takewhile
from pathlib import Path

import polars as pl

from ingest.errors import InputError, TaktbookError
from ingest.raw import Block, RawFile
from ingest.source import Source, load_source
from ingest.store import Store

SCHEMA = pl.Schema({"line": pl.Int64(), "text": pl.String()})


def excerpt(plant: Path, file: str, line: int, around: int = 3, encoding: str = "utf-8") -> pl.DataFrame:
    """Read the lines of a log file from `line - around` to `line + around`.

    `file` as events name it: relative to the plant folder, or absolute.
    Returns  line (from 1), text. Records of a table or document are told as JSON, without the fields that are empty.
    Raises   InputError when the file is no longer there or cannot be read.
    """
    store = Store.open(plant / "store")
    path = plant / store.path_of(file)
    if not path.is_file():
        raise InputError(
            "the log file is no longer where it was loaded from",
            where=file,
            fix="put it back into the inbox to see its lines; the account does not need it",
        )
    wanted = pl.col("line").is_between(line - around, line + around)
    source = _source(plant, store, file)
    blocks = takewhile(lambda b: b.first <= line + around, _blocks(RawFile(path, file, encoding), source))
    near = (block for block in blocks if block.first + block.lines > line - around)
    told = (block.as_lines() if block.frame is None else _told(block) for block in near)
    return pl.concat([pl.DataFrame(schema=SCHEMA), *(lines.filter(wanted).cast(SCHEMA) for lines in told)])


def _source(plant: Path, store: Store, file: str) -> Source | None:
    """Return the source that read a file, when its format is none of lines."""
    for loaded in store.sources():
        path = plant / "sources" / f"{loaded.source}.toml"
        if loaded.file == file and path.is_file():
            try:
                source = load_source(path)
            except TaktbookError:  # changed since, and wrong
                continue
            return None if source.format_module().LINES else source
    return None


def _blocks(file: RawFile, source: Source | None) -> Iterator[Block]:
    return file.blocks() if source is None else source.format_module().blocks(file, source.options)


def _told(block: Block) -> pl.DataFrame:
    """Return line, text of a block of rows, in the order of their numbers; what was bad has the text it had then."""
    frame = block.frame if block.frame is not None else pl.DataFrame()
    numbers = block.line_numbers().alias("line")
    rows = frame.select(text=pl.struct(pl.all()).struct.json_encode()) if frame.width else pl.DataFrame({"text": []})
    told = pl.DataFrame([numbers, rows["text"].cast(pl.String)]).with_columns(
        pl.col("text").str.replace_all(r'"(?:[^"\\]|\\.)*":null,?', "").str.replace(r",\}$", "}")
    )
    bad = [block.bad.select("line", "text")] if block.bad is not None else []
    return pl.concat([told, *bad]).sort("line")
