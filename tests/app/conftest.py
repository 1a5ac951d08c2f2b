"""Plants for the tests of app. A loaded one is made once; tests that change a plant take a copy."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest
import streamlit as st

from app.cli import main
from tests.app.small import write_small_plant


@pytest.fixture(scope="session")
def loaded(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The small plant with one shift loaded; not to be changed."""
    folder = write_small_plant(tmp_path_factory.mktemp("small") / "plant")
    assert main(["ingest", "--plant", str(folder)]) == 0
    return folder


@pytest.fixture
def own(loaded: Path, tmp_path: Path) -> Path:
    """A copy of the loaded plant, to be changed."""
    return Path(shutil.copytree(loaded, tmp_path / "own"))


@pytest.fixture(autouse=True)
def _fresh_cache() -> Iterator[None]:
    yield
    st.cache_data.clear()
