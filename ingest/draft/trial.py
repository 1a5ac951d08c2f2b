"""A draft is tried on the sample with the very code that loads files: what maps, what is left out, what is not read."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import polars as pl

from ingest.draft.sample import Sample
from ingest.formats.base import Parse, no_bad
from ingest.mapping import Context, Mapping
from ingest.raw import Block, RawFile
from ingest.source import Source, load_source

ROWS = 20_000  # of a document


@dataclass(slots=True)
class Trial:
    """What became of the lines of the sample: lines = with_events + skipped + bad."""

    lines: int = 0
    with_events: int = 0
    skipped: int = 0
    bad: pl.DataFrame = field(default_factory=no_bad)


def try_out(file: Path, sample: Sample | None, paths: Sequence[Path]) -> Trial:
    """Load a source file and map the sample with it. Raises ConfigError when the source file is wrong."""
    source = load_source(file)
    module = source.format_module()
    mapping = Mapping(source)
    trial, bad = Trial(), []
    for blocks, name in _files(source, sample, paths):
        parse: Parse | None = None
        context = Context("UTC", name, lambda names: names)
        for block in blocks:
            parse = parse or module.parser(source.options, source.fields, mapping.typed, block, name)
            mapped = mapping.apply(parse(block), context)
            trial.lines += block.lines
            trial.with_events += mapped.with_events
            trial.skipped += mapped.skipped
            bad.append(mapped.bad)
    if bad:
        trial.bad = pl.concat(bad)
    return trial


def _files(source: Source, sample: Sample | None, paths: Sequence[Path]) -> Iterator[tuple[Iterator[Block], str]]:
    if sample is not None:
        for file in sample.files:
            yield iter(file.blocks), file.path.name
        return
    module = source.format_module()
    for path in paths:
        raw = RawFile(path, path.as_posix(), source.encoding)
        yield _some(module.blocks(raw, source.options)), path.name


def _some(blocks: Iterator[Block]) -> Iterator[Block]:
    rows = 0
    for block in blocks:
        yield block
        rows += block.lines
        if rows >= ROWS:
            return
