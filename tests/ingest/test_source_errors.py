"""What is told when a source file is wrong: one folder per fault in tests/broken_logs, with the message it must give.

To write the messages anew after a change of wording, then review the diff:  python -m tests.broken_logs.rewrite
"""

from __future__ import annotations

import pytest

from ingest.errors import ConfigError
from tests.broken_logs.cases import CASES, Case, outcome
from tests.ingest.plants import SOURCE, loaded, plant


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_a_fault_gives_the_message_of_its_folder_and_leaves_the_store_alone(case: Case, tmp_path):
    assert outcome(case, tmp_path) == case.expected


def test_the_problems_of_all_source_files_are_told_together(tmp_path):
    plant(tmp_path, {}, SOURCE.replace('format = "text"', 'format = "txt"'), name="one")
    plant(tmp_path, {}, SOURCE.replace("cell =", "zell ="), name="two")
    with pytest.raises(ConfigError) as caught:
        loaded(tmp_path)
    told = str(caught.value)
    assert "sources/ has 3 problems" in told
    assert "sources/one.toml, line 3" in told
    assert "sources/two.toml, line 2" in told
