from __future__ import annotations

import sys

import pytest


@pytest.fixture
def python() -> str:
    """The interpreter that runs the tests."""
    return sys.executable
