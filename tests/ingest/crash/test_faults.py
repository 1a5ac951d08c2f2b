"""The disk may refuse any write, and the process may be killed in it: nothing is lost, nothing is doubled."""

from __future__ import annotations

import errno
import shutil
import subprocess
import sys
from collections.abc import Iterator
from datetime import date
from pathlib import Path

import pytest

from ingest.store import Store
from tests.ingest.crash.rig import HERE, Run, busy_plant, driver, remains, sound
from tests.ingest.test_growing_logs import told, whole

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="faults are put into Linux' C library")


@pytest.fixture(scope="module")
def faulty(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Run]:
    compiler = shutil.which("cc") or shutil.which("gcc")
    if compiler is None:
        pytest.skip("no C compiler: apt-get install gcc libc6-dev")
    library = tmp_path_factory.mktemp("faults") / "faults.so"
    subprocess.run(
        [compiler, "-shared", "-fPIC", "-O1", "-w", "-o", str(library), str(HERE / "faults.c"), "-ldl"], check=True
    )
    yield from driver(preload=library)


@pytest.mark.parametrize("fault", ["killed", "ENOSPC", "EIO"])
def test_a_load_may_be_stopped_at_every_single_write(fault, faulty, tmp_path):
    """Calls: open for writing, write, sync, rename, make and remove folders and files, below the store."""
    base, content = busy_plant(tmp_path / "base")
    expected = whole(tmp_path / "w", content).drop("line")
    shutil.copytree(base, tmp_path / "count")
    answer = faulty(tmp_path / "count", at=-1)
    assert answer["outcome"] == "done"
    assert answer["calls"] > 50
    harmless = 0
    for n in range(answer["calls"]):
        folder = Path(shutil.copytree(base, tmp_path / f"{fault}{n}"))
        outcome = faulty(folder, at=n, errno=0 if fault == "killed" else getattr(errno, fault))["outcome"]
        if fault == "killed":
            assert outcome == "killed"
        else:
            assert outcome == "done" or outcome.startswith("told: "), outcome
            assert fault == "EIO" or outcome == "done" or "disk is full" in outcome
            harmless += outcome == "done"
        sound(folder)
        assert faulty(folder, at=-1)["outcome"] == "done"
        sound(folder)
        assert remains(folder) == []
        assert told(folder).drop("line").equals(expected)
        shutil.rmtree(folder)
    assert harmless < answer["calls"] / 2, "most of the faults were felt"


@pytest.mark.parametrize("fault", ["killed", "ENOSPC", "EIO"])
def test_facts_are_those_of_before_or_the_new_ones_whatever_write_is_stopped(fault, faulty, tmp_path):
    day = date(2026, 10, 23)
    calls = faulty(tmp_path, facts="first", at=-1)["calls"]
    assert calls > 8
    key = "first"
    seen = set()
    for n in range(calls):
        answer = faulty(tmp_path, facts=f"{n}", at=n, errno=0 if fault == "killed" else getattr(errno, fault))
        assert answer["outcome"] in ("killed", "done") or answer["outcome"].startswith("told: "), answer
        store = Store.open(tmp_path / "store")
        assert store.facts_key("c1", day) in (key, f"{n}")
        key = store.facts_key("c1", day) or ""
        seen.add(key)
        stops = store.read_facts("c1", [day], "stops")
        assert stops is not None
        assert stops["key"].to_list() == [key]
    assert len(seen) > 1, "some faults came so late that the new facts counted already"
    assert faulty(tmp_path, facts="last", at=-1)["outcome"] == "done"
    assert faulty(tmp_path, facts="last", at=-1)["outcome"] == "done"
    assert len(list((tmp_path / "store/facts/c1/2026-10-23").glob("*.parquet"))) == 4
