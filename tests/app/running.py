"""Runs a page without a browser. No test lives here."""

from __future__ import annotations

from pathlib import Path

import pytest
from streamlit.testing.v1 import AppTest


def run(test: AppTest, monkeypatch: pytest.MonkeyPatch, folder: Path, address: dict[str, str]) -> AppTest:
    """Run a page on a plant folder with what stands in the address; it must end without an exception."""
    monkeypatch.setenv("TAKTBOOK_PLANT", str(folder))
    for key, value in address.items():
        test.query_params[key] = value
    test.run()
    assert not test.exception
    return test


def words(test: AppTest) -> str:
    """All text on the page."""
    return "\n".join(str(element.proto) for element in test.main)


def selected(test: AppTest) -> dict[str, str]:
    """What stands in the address."""
    return {key: values[0] if isinstance(values, list) else values for key, values in test.query_params.items()}


def add_broken_cell(folder: Path) -> None:
    """Give a plant of one cell a second one, whose file is broken."""
    plant = folder / "plant.toml"
    text = plant.read_text(encoding="utf-8")
    assert 'cells = ["cell1"]' in text
    plant.write_text(text.replace('cells = ["cell1"]', 'cells = ["broken", "cell1"]'), encoding="utf-8")
    (folder / "cells" / "broken.toml").write_text("name = 3\n", encoding="utf-8")
