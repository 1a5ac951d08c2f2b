"""A draft loads as it stands: for the sample plant's raw files, for dialects it has never seen, and for bad input."""

from __future__ import annotations

import gzip
import random
import re
import shutil
from pathlib import Path

import polars as pl
import pytest

from ingest.draft.draft import draft
from ingest.draft.sample import PIECE, read_sample
from ingest.errors import InputError
from ingest.formats import FORMATS
from ingest.load import load
from ingest.source import load_source
from ingest.store import Store
from tests.ingest.samples import write_sample
from tests.sample import SAMPLE

DIALECTS = Path(__file__).parent / "dialects"
INBOX = SAMPLE / "plant" / "inbox"
UNDERSTOOD = sorted(p.name for p in DIALECTS.iterdir() if p.suffix != ".py" and p.name != "clock_only.log")


def small_plant(folder: Path) -> Path:
    (folder / "cells").mkdir(parents=True)
    (folder / "plant.toml").write_text('zone = "Europe/Berlin"\nday_start = "06:00"\n', encoding="utf-8")
    (folder / "cells" / "c1.toml").write_text("", encoding="utf-8")
    return folder


def drafted(folder: Path, files: list[Path], name: str = "machine") -> tuple[str, Store]:
    """Put files into a plant's inbox, draft, load everything; returns the draft and the store."""
    (folder / "inbox").mkdir(exist_ok=True)
    inside = [Path(shutil.copy(f, folder / "inbox" / f.name)) for f in files]
    made = draft(inside, folder, name)
    (folder / "sources").mkdir(exist_ok=True)
    (folder / "sources" / f"{name}.toml").write_text(made.text, encoding="utf-8")
    load(folder)
    return made.text, Store.open(folder / "store")


def of_a_pattern(store: Store, text: str) -> tuple[int, int]:
    """Return how many lines are mapped by a rule or left out by a named [[skip]], and how many there are."""
    sources = store.sources()
    lines = sum(s.lines for s in sources)
    return lines - sum(s.quarantined for s in sources), lines


def used(text: str) -> str:
    """The draft with every proposal taken."""
    return re.sub(r"(?m)^emit = .*\n# (emit = .*)$", r"\1", text)


# ---- it loads as it stands


@pytest.mark.parametrize("source", sorted(p.name for p in INBOX.iterdir()))
def test_a_draft_of_the_sample_plants_raw_files_maps_nearly_every_line(source, tmp_path):
    text, store = drafted(small_plant(tmp_path / "p"), sorted((INBOX / source).iterdir()))
    mapped, lines = of_a_pattern(store, text)
    assert lines > 100
    assert mapped >= 0.99 * lines
    assert sum(s.with_events for s in store.sources()) >= 0.95 * lines
    assert "\nother = " not in text


@pytest.mark.parametrize("name", UNDERSTOOD)
def test_a_draft_of_a_dialect_that_nobody_has_seen_maps_nearly_every_line(name, tmp_path):
    text, store = drafted(small_plant(tmp_path / "p"), [DIALECTS / name])
    mapped, lines = of_a_pattern(store, text)
    assert lines >= 60
    assert mapped >= 0.95 * lines
    assert "\nother = " not in text  # no pattern that takes everything


@pytest.mark.parametrize("name", UNDERSTOOD)
def test_every_proposal_is_valid_when_it_is_taken(name, tmp_path):
    made = draft([DIALECTS / name])
    taken = used(made.text)
    proposals = made.text.count("\n# emit = [")
    file = tmp_path / "taken.toml"
    file.write_text(taken, encoding="utf-8")
    source = load_source(file)
    kinds = {str(e.columns["kind"].constant) for rule in source.rules for e in rule.emits}
    assert taken.count("\n# emit = [") == 0
    assert not proposals or kinds != {"link"}


@pytest.mark.parametrize("source", sorted(p.name for p in INBOX.iterdir()))
def test_every_proposal_for_the_sample_plant_is_valid_when_it_is_taken(source, tmp_path):
    made = draft(sorted((INBOX / source).iterdir()), SAMPLE / "plant")
    file = tmp_path / "taken.toml"
    file.write_text(used(made.text), encoding="utf-8")
    kinds = {str(e.columns["kind"].constant) for rule in load_source(file).rules for e in rule.emits}
    assert len(kinds) > 1


def test_as_it_stands_a_draft_says_only_that_the_source_lives(tmp_path):
    plant = small_plant(tmp_path / "p")
    _, store = drafted(plant, [DIALECTS / "pipes_epoch_ms.dat"])
    events = store.events("c1", store.days("c1"))
    assert events.height == 200
    assert events["kind"].unique().to_list() == ["link"]
    assert events["state"].unique().to_list() == ["up"]


# ---- times


@pytest.mark.parametrize(
    ("name", "field", "form", "first"),
    [
        ("us_am_pm.log", "time", "%m/%d/%Y %I:%M:%S %p", "2026-10-09"),
        ("two_digit_years.log", "time", "%d.%m.%y %H:%M:%S", "2026-10-23"),
        ("german_date_and_clock.csv", "{Datum} {Uhrzeit}", "%d.%m.%Y %H:%M:%S", "2026-10-23"),
        ("brackets_month_names.log", "time", "%d-%b-%Y %H:%M:%S.%f", "2026-10-23"),
        ("pipes_epoch_ms.dat", "time", "epoch_ms", "2026-10-23"),
        ("levels_and_loggers.log", "time", "iso8601", "2026-10-23"),
        ("nested.ndjson", "meta.ts", "iso8601", "2026-10-23"),
        ("utf16_tabs.txt", "Time", "%Y/%m/%d %H:%M:%S", "2026-10-23"),
    ],
)
def test_the_time_is_found_and_read(name, field, form, first, tmp_path):
    text, store = drafted(small_plant(tmp_path / "p"), [DIALECTS / name])
    assert f'field = "{field}"\n' in text
    assert f'\nformats = ["{form}"]\n' in text
    cell = store.cells()[0]
    assert store.events(cell, store.days(cell))["ts_source"].min().date().isoformat() == first


def log_of(folder: Path, lines: list[str], name: str = "m.log") -> Path:
    path = folder / name
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


def test_a_day_above_12_decides(tmp_path):
    file = log_of(tmp_path, [f"{day:02d}/05/2026 06:00:00 press begin {day}" for day in range(10, 16)])
    text = draft([file]).text
    assert 'formats = ["%d/%m/%Y %H:%M:%S"]\n' in text
    assert "day first: read the other way" in text
    assert "or month first?" not in text


def test_times_that_must_rise_decide(tmp_path):
    """From 9 to 12 May, then on to 3 June: read month first, time would run back by months."""
    days = ["09/05", "10/05", "11/05", "12/05", "01/06", "02/06", "03/06"]
    file = log_of(tmp_path, [f"{day}/2026 06:00:00 press begin {n}" for n, day in enumerate(days)])
    text = draft([file]).text
    assert '\nformats = ["%d/%m/%Y %H:%M:%S"]\n' in text
    assert "times rise from line to line" in text


def test_a_date_in_the_files_name_is_weak_evidence_and_is_said_to_be(tmp_path):
    file = log_of(tmp_path, [f"04/05/2026 06:{m:02d}:00 press begin {m}" for m in range(20)], "m-2026-04-05.log")
    text = draft([file]).text
    assert '\nformats = ["%m/%d/%Y %H:%M:%S"]\n' in text
    assert "weak evidence" in text


def test_what_nothing_decides_is_asked_with_both_readings():
    text = draft([DIALECTS / "ambiguous_day.log"]).text
    assert "# DECIDE: day first or month first?" in text
    assert "reads 04/05/2026 06:00:17 as 4 May 2026" in text
    assert "reads 04/05/2026 06:00:17 as 5 April 2026" in text


def test_clock_times_without_a_date_are_refused_with_the_reason_and_what_helps():
    with pytest.raises(InputError, match="clock times without a date") as err:
        draft([DIALECTS / "clock_only.log"])
    assert "put it in front of each line" in str(err.value)


def test_the_day_in_a_files_name_is_offered_as_help(tmp_path):
    file = log_of(tmp_path, [f"06:00:{s} R1 go" for s in range(10, 50)], "run-2026-10-23.log")
    with pytest.raises(InputError, match=r"The file's name tells the day \(2026-10-23\)"):
        draft([file])


# ---- what is seen in it


def test_places_become_one_pattern_and_what_happened_stays_apart(tmp_path):
    words = [
        "waits for PRESS",
        "waits for GAUGE",
        "waits for TRAY",
        "gate open",
        "gate closed",
        "cycle begin",
        "cycle end",
    ]
    file = log_of(tmp_path, [f"2026-10-23 06:{n:02d}:00 {words[n % 7]}" for n in range(56)])
    text = draft([file]).text
    assert re.findall(r"(?m)^(\w+) = '\^\(\?P<time>", text) == [
        "waits_for", "cycle_begin", "cycle_end", "gate_closed", "gate_open"
    ]  # fmt: skip


def test_lines_without_a_time_are_left_out_by_name_and_never_by_a_pattern_that_takes_all(tmp_path):
    text, store = drafted(small_plant(tmp_path / "p"), [DIALECTS / "stack_traces.log"])
    assert "51 % of the lines have no time of their own" in text
    assert sum(s.skipped for s in store.sources()) == 73
    more = tmp_path / "p" / "inbox" / "stack_traces.log.1"
    more.write_text("2026-10-24 06:00:00,000 something that was never seen\nnor was this\n", encoding="utf-8")
    load(tmp_path / "p")
    assert Store.open(tmp_path / "p" / "store").quarantine()["text"].to_list() == [
        "2026-10-24 06:00:00,000 something that was never seen", "nor was this",
    ]  # fmt: skip


def test_names_of_persons_are_not_shown():
    text = draft([DIALECTS / "quoted.csv"]).text
    fields = text.split("# ---- the fields")[1].split("# ----")[0]
    assert "Operator       person" in fields
    assert not re.search(r"Anna|Ben|Cleo", text)


def test_a_part_number_that_rises_is_no_running_number():
    assert "[always]" not in draft([DIALECTS / "ambiguous_day.log"]).text


def test_stations_that_the_cell_file_knows_are_filled_in(tmp_path):
    plant = small_plant(tmp_path / "p")
    (plant / "cells" / "c1.toml").write_text(
        '[[stations]]\nname = "op10"\n[[stations]]\nname = "saw"\n', encoding="utf-8"
    )
    text, _ = drafted(plant, [DIALECTS / "pipes_epoch_ms.dat"])
    assert re.search(r'(?m)^OP10 = "op10" +# 67 times$', text)
    assert re.search(r'(?m)^OP20 = "OP20" +# 62 times  DECIDE$', text)
    assert 'cell = "c1"\n' in text


def test_the_pattern_of_files_finds_the_files_that_follow(tmp_path):
    plant = small_plant(tmp_path / "p")
    (plant / "inbox").mkdir()
    file = plant / "inbox" / "saw-2026-10-23.log.gz"
    file.write_bytes(gzip.compress(b"2026-10-23 06:00:00 begin 1\n" * 5))
    assert 'files = ["inbox/saw-*.log*"]' in draft([file], plant).text


# ---- a sample, and bad input


def test_of_a_long_file_only_head_middle_and_end_are_read(tmp_path):
    line = "2026-10-23 06:00:00 press begin P{:07d}\n"
    path = tmp_path / "long.log"
    path.write_text("".join(line.format(n) for n in range(300_000)), encoding="utf-8")
    sample = read_sample([path])
    assert sum(len(b.data) for b in sample.blocks) <= 3 * PIECE < path.stat().st_size
    parts = sample.lines()["text"].str.extract(r"P(\d+)").cast(pl.Int64)
    assert (parts.min(), parts.max()) == (0, 299_999)
    assert parts.is_between(140_000, 160_000).any()


@pytest.mark.parametrize(
    ("content", "message"),
    [
        (b"", "The file is empty"),
        (b"\n \n", "The file is empty"),
        (bytes(range(256)) * 20, "This is a binary file"),
        (b"\0\0\0", "This is a binary file"),
        (b"no time\nnone at all\n" * 9, "There is no time in these lines"),
        (b"Oct 23 06:00:01 host press: begin\n" * 9, "have no year"),
        (b"23. Oktober 2026 06:00:01 begin\n" * 9, "months are written in words"),
        (b'[\n {"t": "2026-10-23T06:00:00Z",\n  "e": 1}\n]\n', "JSON that spreads over several lines"),
        (b"x" * 200_000, "The first line has no end"),
        (b"\x1f\x8b\x08\x00\x00\x00\x00\x00\x00\x03", "cut off"),
        (b'<?xml version="1.0"?>\n<a/>\n', "XML of a kind"),
    ],
)
def test_what_cannot_be_drafted_is_explained(content, message, tmp_path):
    path = tmp_path / "m.log"
    path.write_bytes(content)
    with pytest.raises(InputError, match=message):
        draft([path])


def test_a_folder_and_a_missing_file_are_explained(tmp_path):
    with pytest.raises(InputError, match="This is a folder"):
        draft([tmp_path])
    with pytest.raises(InputError, match="No such file"):
        draft([tmp_path / "none.log"])


@pytest.mark.parametrize("end", [b"\n", b""])
def test_one_line_is_enough(end, tmp_path):
    path = tmp_path / "one.log"
    path.write_bytes(b"2026-10-23 06:00:00 press begin P1" + end)
    made = draft([path])
    assert (made.trial.lines, made.trial.with_events) == (1, 1)


def test_mixed_encodings_are_read_and_told(tmp_path):
    path = tmp_path / "mixed.log"
    path.write_bytes(b"".join(
        f"2026-10-23 06:00:{n} Tür auf {n}\n".encode("utf-8" if n % 2 else "cp1252") for n in range(10, 60)
    ))  # fmt: skip
    text = draft([path]).text
    assert "some are not: the latter are read as Windows-1252" in text
    assert "Tür auf" in text


# ---- formats


@pytest.mark.parametrize("module", FORMATS, ids=lambda module: module.NAME)
def test_the_sample_of_every_format_is_recognised_as_what_it_is(module, tmp_path):
    path = tmp_path / "sample.log"
    write_sample(path, module)
    made = draft([path])
    assert f'\nformat = "{module.NAME}"\n' in made.text
    assert made.trial.with_events >= 2
    assert made.trial.bad.height <= 1  # the sheet's sum


def test_fields_may_have_the_names_that_we_use_ourselves(tmp_path):
    rows = [f"2026-10-23 06:00:{n};{n};A;x;{n % 3};P{n};s{n}" for n in range(10, 40)]
    file = log_of(tmp_path, ["time;n;line;file;piece;text;row", *rows])
    made = draft([file])
    assert made.trial.with_events == 30
    assert 'columns = ["time", "n", "line_3", "file", "piece", "text", "row"]' in made.text


# ---- damage


def test_a_damaged_line_does_not_spoil_the_patterns_of_the_others(tmp_path):
    lines = (DIALECTS / "brackets_month_names.log").read_text(encoding="utf-8").splitlines()
    lines[7] = lines[7].replace("] <", "] ")
    lines[90] = "before " + lines[90]
    made = draft([log_of(tmp_path, lines)])
    assert made.trial.with_events >= len(lines) - 2


def test_signs_that_no_one_can_see_are_written_so_that_the_draft_is_valid(tmp_path):
    lines = [f"2026-10-23 06:00:{n};ST{n % 3}{chr(127) if n % 2 else ''};begin;K{n}" for n in range(10, 60)]
    made = draft([log_of(tmp_path, lines)])
    assert made.trial.with_events == 50
    assert "\\u007f" in made.text


@pytest.mark.parametrize("seed", range(12))
def test_a_log_with_bytes_changed_at_random_still_gives_a_valid_draft_that_balances(seed, tmp_path):
    rng = random.Random(seed)
    data = bytearray((DIALECTS / UNDERSTOOD[seed % len(UNDERSTOOD)]).read_bytes())
    for _ in range(rng.choice([1, 20, 200])):
        data[rng.randrange(len(data))] = rng.choice(b'{}":;|=[]<>$^\\a7 ')
    path = tmp_path / "m.log"
    path.write_bytes(bytes(data))
    trial = draft([path]).trial
    assert trial.lines == trial.with_events + trial.skipped + trial.bad.height > 0
