"""The sample plant's source files against what its generator says that it wrote."""

from __future__ import annotations

import shutil
from pathlib import Path

import polars as pl
import pytest

from ingest.formats import FORMATS
from ingest.load import LoadSummary, load
from ingest.source import load_source
from ingest.store import Store

SAMPLE = Path(__file__).parents[2] / "sample_logs"
README = Path(__file__).parents[2] / "ingest" / "README.md"


@pytest.fixture(scope="module")
def sample(tmp_path_factory: pytest.TempPathFactory) -> tuple[LoadSummary, Store]:
    folder = tmp_path_factory.mktemp("sample") / "plant"
    shutil.copytree(SAMPLE / "plant", folder, ignore=shutil.ignore_patterns("store", "reports"))
    return load(folder), Store.open(folder / "store")


def test_every_line_of_the_sample_is_accounted_for(sample):
    """Exactly the planted bad lines are quarantined; heartbeats give an event each beside the planned ones."""
    summary, _ = sample
    truth = {row["file"]: row for row in pl.read_parquet(SAMPLE / "truth" / "logs.parquet").to_dicts()}
    for file in summary.files:
        if file.record.source == "host":
            continue
        told, record = truth[file.file], file.record
        found = (record.lines, record.skipped, record.quarantined, record.events)
        events = told["events"] + told["alive_lines"]
        assert found == (told["lines"], told["header_lines"], told["bad_lines"], events), file.file
    assert {f.file for f in summary.files} | {t for t in truth if ":" in t} == {*truth, "inbox/host/host.sqlite"}


def test_every_row_that_the_host_source_reads_gives_its_events(sample):
    summary, _ = sample
    truth = pl.read_parquet(SAMPLE / "truth" / "logs.parquet").filter(pl.col("file").str.contains("host.sqlite:"))
    read = truth.filter(~pl.col("file").str.ends_with(":carriers"))
    [host] = [f.record for f in summary.files if f.record.source == "host"]
    assert (host.lines, host.events, host.quarantined) == (read["lines"].sum(), read["events"].sum(), 0)


def test_torn_lines_and_windows_letters_of_the_sample_are_recognised(sample):
    _, store = sample
    reasons = store.quarantine()["reason"]
    assert reasons.str.starts_with("line is torn").sum() >= 2
    texts = store.events("spoon", store.days("spoon"))["text"].drop_nulls()
    assert texts.str.contains("[äöüÄÖÜß]").any()
    assert not texts.str.contains("\ufffd").any()


def test_the_doubled_hour_of_the_sample_is_marked_where_times_have_no_offset(sample):
    _, store = sample
    doubled = store.events("spoon", store.days("spoon")).filter("doubled")
    assert set(doubled["source"]) == {"robots", "cellplc"}
    stamped = doubled.filter(pl.col("source") == "robots")  # the others may have begun a little before their record
    assert set(stamped["ts_source"].dt.hour()) == {0}, "02:00 in summer time, the first of the two"


def test_the_examples_of_the_readme_can_be_used(tmp_path):
    blocks = [b.split("```")[0] for b in README.read_text(encoding="utf-8").split("```toml\n")[1:]]
    examples = [block for block in blocks if "format =" in block]
    assert len(examples) > len(FORMATS)
    for n, example in enumerate(examples):
        path = tmp_path / f"example{n}.toml"
        path.write_text(example, encoding="utf-8")
        assert load_source(path).rules
