"""The process may be killed at any moment: nothing is lost, nothing is doubled."""

from __future__ import annotations

import random
import sys
from collections.abc import Iterator

import pytest

from ingest.load import load
from ingest.store import Store
from tests.ingest.crash.rig import Run, driver, remains, sound
from tests.ingest.plants import plant
from tests.ingest.test_growing_logs import grow, lines, told, whole

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="processes are forked")


@pytest.fixture(scope="module")
def runs() -> Iterator[Run]:
    yield from driver()


def test_a_load_that_is_killed_at_200_random_moments_loses_and_doubles_nothing(runs, tmp_path):
    random_ = random.Random(20261025)
    folder = plant(tmp_path / "p")
    written = killed = done = 0
    while killed < 200:
        for name in "abc":
            n = random_.choice([0, 1, 5, 200])
            grow(folder / f"inbox/{name}.log", lines(written, written + n))
            written += n
        if random_.random() < 0.1 and (folder / "inbox/b.log").exists():
            (folder / "inbox/b.log").rename(folder / f"inbox/b.log.{written}")
        answer = runs(folder, kill_after_s=random_.uniform(0, 0.25))
        assert answer["outcome"] in ("done", "killed")
        killed += answer["outcome"] == "killed"
        done += answer["outcome"] == "done"
        sound(folder)
    assert done, "some came through, so the kills were spread over whole loads"
    load(folder)
    sound(folder)
    assert remains(folder) == []
    assert told(folder).drop("line").equals(whole(tmp_path / "w", lines(0, written)).drop("line"))
    assert sum(r.lines for r in Store.open(folder / "store").sources()) == written
