"""The one public function: some files of an unknown log -> a source file that loads as it stands."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from pathlib import Path
from tempfile import TemporaryDirectory

import polars as pl

from ingest.draft import documents, write
from ingest.draft.fields import Field, look_at
from ingest.draft.names import named_by_role
from ingest.draft.no_time import is_spread_json, no_time
from ingest.draft.place import Place, place_of
from ingest.draft.rules import KEYS, Rules, leftovers, record_rules, text_rules, vocabularies
from ingest.draft.sample import Sample, chosen, first_bytes, read_sample
from ingest.draft.sniff import Reading, sniff
from ingest.draft.text import find_time, format_at, read_text, time_words
from ingest.draft.time_fields import TimeField, time_field
from ingest.draft.time_table import time_table
from ingest.draft.times import day_in_name
from ingest.draft.trial import Trial, try_out
from ingest.errors import ConfigError, InputError


@dataclass(frozen=True, slots=True)
class Draft:
    """A drafted source file and what it made of the sample.

    report   what is not understood: line, reason, text
    decisions  how many places are marked DECIDE
    """

    name: str
    text: str
    trial: Trial
    decisions: int

    @property
    def report(self) -> pl.DataFrame:
        """The lines of the sample that would go to the quarantine."""
        return self.trial.bad


@dataclass(slots=True)
class _Body:
    """The tables of the source file, as lines."""

    format: str
    read: list[str]
    time: list[str]
    rules: Rules
    fields: dict[str, Field]
    remarks: list[str] = field(default_factory=list)


def draft(paths: Sequence[Path], plant: Path | None = None, name: str | None = None, cell: str | None = None) -> Draft:
    """Look at a sample of some log files and write a source file for them.

    plant: the plant folder, whose cells are used and to which `files` is relative. Raises InputError when the files
    cannot be used, or when their lines have no time that can be read, with the reason and what helps.
    """
    if not paths:
        raise InputError("No file is named.", fix="taktbook draft FILE…")
    heads = {path: first_bytes(path, path.as_posix()) for path in chosen(paths)}
    if not any(head.strip() for head in heads.values()):
        raise InputError(
            "The file is empty." if len(heads) == 1 else "All of these files are empty.", where=paths[0].as_posix(),
            fix="Wait until the machine has written some lines, then draft again.",
        )  # fmt: skip
    with_content = [path for path, head in heads.items() if head.strip()]
    where = place_of(paths, plant, name, cell)
    kind = documents.recognise(with_content[0], heads[with_content[0]])
    hints = _days(with_content)
    sample: Sample | None = None
    if kind is None:
        for path in with_content:
            documents.refuse_binary(path, heads[path])
        sample = read_sample(with_content)
        body = _lines(sample, hints)
    else:
        body = _document(kind, with_content, hints)
    return _finished(body, where, sample, with_content, plant)


def _days(paths: Sequence[Path]) -> list[datetime]:
    """Days that the files' names tell, else when they were last written: weak evidence for how dates are meant."""
    named = [day for path in paths if (day := day_in_name(path.name))]
    return named or [datetime.fromtimestamp(path.stat().st_mtime, UTC) for path in paths]


def _lines(sample: Sample, hints: Sequence[datetime]) -> _Body:
    """Draft for lines of text."""
    lines = sample.lines()
    if is_spread_json(lines):
        raise no_time(sample.files[0].path, lines, None, None)
    reading = sniff(sample)
    if reading is not None:
        time = time_field(reading, hints)
        if time is not None:
            return _records(reading, time, lines.select(*KEYS, "text"))
    place = find_time(lines)
    time_found = format_at(place, hints) if place is not None else None
    if place is None or time_found is None or time_found.share < 0.5:
        raise no_time(sample.files[0].path, lines, reading, place)
    text = read_text(lines, place, time_found)
    rules, fields = text_rules(text.patterns, place.found, lines.height)
    read = ["", "[read.patterns]"]
    read += [f"{write.key(p.name)} = {write.quoted(p.regex)}" for p in text.patterns]
    table, decisions = time_table(TimeField(text.time_field, time_found, time_words(place)))
    rules.decisions += decisions
    body = _Body("text", read, table, rules, fields)
    if text.untimed > 0.05 * text.lines:
        body.remarks.append(
            f"{write.percent(text.untimed / text.lines)} of the lines have no time of their own: they go on the "
            f"line above "
            "them, or belong to none. They are left out, and counted."
        )
    return body


def _records(reading: Reading, time: TimeField, texts: pl.DataFrame) -> _Body:
    """Draft for records with fields."""
    names = [f for f in reading.fields if f not in time.names]
    fields = look_at(reading.frame, names)
    if "columns" in reading.read and not reading.named:
        reading, time, fields = named_by_role(reading, time, fields)
    rules = record_rules(reading, fields, texts, time.names)
    table, decisions = time_table(time)
    rules.decisions += decisions
    read = ["", "[read]"] if reading.read else []
    for key, value in reading.read.items():
        read.append(write.beside(f"{key} = {write.value(value)}", reading.notes.get(key, "")))
    remarks = [note for key, note in reading.notes.items() if key in ("fields", "lists")]
    return _Body(reading.format, read, table, rules, fields, remarks)


def _document(kind: str, paths: Sequence[Path], hints: Sequence[datetime]) -> _Body:
    """Draft for tables and documents."""
    found = documents.read(kind, paths)
    bodies: list[tuple[documents.Table, TimeField]] = []
    remarks = []
    for table in found:
        time = time_field(table.reading, hints)
        if time is None:
            remarks.append(
                f"{table.name or 'the table'} has no column with a time, so it is left out: "
                f"{', '.join(table.reading.fields)}"
            )
        else:
            bodies.append((table, time))
    if not bodies:
        raise documents.no_time(paths[0], found)
    first, time = bodies[0]
    if len(bodies) == 1 and not first.name:
        body = _records(first.reading, time, pl.DataFrame())
        body.remarks += remarks
        return body
    rules, fields = Rules(), dict[str, Field]()
    of = sum(table.reading.frame.height for table, _ in bodies)
    for table, when in bodies:
        names = [f for f in table.reading.fields if f not in when.names and f != "table"]
        own = look_at(table.reading.frame, names)
        fields |= {f"{table.name}.{n}": replace(f, name=f"{table.name}.{n}") for n, f in own.items()}
        frame = table.reading.frame
        example = frame.head(1).select(pl.struct(names[:8]).struct.json_encode()).item() if names else ""
        rules.rule(f"table = {write.quoted(table.name)}", frame.height, of, example, [table.name], own,
                   frame, "" if when.field == time.field else when.field)  # fmt: skip
    table_lines, decisions = time_table(time)
    rules.decisions += decisions
    read = ["", "[read]", f"tables = {write.value([table.name for table, _ in bodies])}"]
    return _Body(kind, read, table_lines, rules, fields, remarks)


def _finished(body: _Body, where: Place, sample: Sample | None, paths: Sequence[Path], plant: Path | None) -> Draft:
    """Put the source file together, load it, try it on the sample, and say how it went."""
    rules = body.rules
    words = vocabularies(rules, where.stations)
    tail = [*body.time, *body.read, *words]
    seq = next((f.name for f in body.fields.values() if f.role == "seq" and f.name == f.name.strip()), "")
    if seq and body.format != "sqlite":
        f = body.fields[seq]
        tail += [
            "",
            "[always]",
            write.beside(f'seq = "{{{seq}}}"', f"a running number: it rises in {write.percent(f.sure)} of the lines"),
        ]
    described = write.field_table(f for f in body.fields.values() if f.role != "empty")
    if described:
        tail += ["", "# ---- the fields, what they seem to be, and what was seen in them (how often)", *described]
    if rules.skips:
        tail += ["", "# ---- lines that are left out, and counted", *rules.skips]
    tail += ["", "# ---- one rule per message; as they stand they say only that the source lives", *rules.lines]
    top = [*where.lines(body.format)]
    if sample is not None and (sample.encoding != "utf-8" or sample.remark):
        top.append(write.beside(f'encoding = "{sample.encoding}"', sample.remark))
    text = "\n".join([*top, *tail]) + "\n"
    trial = _tried(text, where.name, body, sample, paths)
    intro = _intro(where, body, sample, paths, trial)
    whole = "\n".join([*intro, text])
    return Draft(where.name, whole, trial, whole.count("DECIDE") - intro_mentions(intro))


def intro_mentions(intro: Sequence[str]) -> int:
    """How often the introduction itself says DECIDE."""
    return sum(line.count("DECIDE") for line in intro)


def _tried(text: str, name: str, body: _Body, sample: Sample | None, paths: Sequence[Path]) -> Trial:
    with TemporaryDirectory() as folder:
        file = Path(folder) / f"{name}.toml"
        file.write_text(text, encoding="utf-8")
        try:
            return try_out(file, sample, paths)
        except ConfigError as err:
            fix = "This is a fault of taktbook; please report it, with some lines of the log."
            raise InputError(f"The draft would not be valid: {err}", where=paths[0].as_posix(), fix=fix) from err


def _intro(where: Place, body: _Body, sample: Sample | None, paths: Sequence[Path], trial: Trial) -> list[str]:
    files = "1 file" if len(paths) == 1 else f"{len(paths)} files"
    if sample is not None and sample.of_files > len(paths):
        files += f" of {sample.of_files}"
    whole = sample is None or all(f.whole for f in sample.files)
    looked = f"{trial.lines:,} lines" + ("" if whole else ": head, middle and end")
    out = [f"# sources/{where.name}.toml, drafted from {files} ({looked})."]
    out += write.comment(
        f"Tried on these lines: {write.percent(trial.with_events / max(trial.lines, 1))} are understood (a time "
        f"and a message)"
        + (
            f", {write.percent(trial.skipped / trial.lines)} are left out (headers, comments, blank lines, [[skip]])"
            if trial.skipped
            else ""
        )
        + (f", {write.percent(trial.bad.height / trial.lines)} are not understood." if trial.bad.height else ".")
    )
    out += leftovers(trial.bad, max(trial.lines, 1))
    for remark in body.remarks:
        if remark:
            out += write.comment("Note: " + write.plain(remark, 300))
    return [
        *out,
        "#",
        "# It can be loaded as it stands. Each message then says only that the source lives (link up), which is "
        "harmless.",
        "# To make a message count: look at its rule at the end of this file, take out its line `emit = …` and "
        "the # of",
        "# the proposed `emit` below it. Everything guessed says how sure it is; what you must decide is marked "
        "DECIDE.",
        "# Afterwards `taktbook ingest` and `taktbook check` show what maps, what does not, and what no cell "
        "file knows.",
        "",
    ]
