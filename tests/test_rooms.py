"""Imports run one way: app -> analytics -> ingest. And no file of the rooms is so long that it hides a second one."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
ALLOWED = {
    "ingest": {"ingest"},
    "analytics": {"analytics", "ingest"},
    "app": {"app", "analytics", "ingest", "sample_logs"},
    "sample_logs": {"sample_logs"},
}
FILES = [p for room in ALLOWED for p in sorted((ROOT / room).rglob("*.py"))]


def imported_rooms(path: Path) -> set[str]:
    tree = ast.parse(path.read_text(encoding="utf-8"))
    names = {a.name for n in ast.walk(tree) if isinstance(n, ast.Import) for a in n.names}
    names |= {n.module for n in ast.walk(tree) if isinstance(n, ast.ImportFrom) and n.module and not n.level}
    return {name.split(".")[0] for name in names} & ({"tests"} | ALLOWED.keys())


@pytest.mark.parametrize("path", FILES, ids=lambda p: str(p.relative_to(ROOT)))
def test_a_file_imports_only_from_its_own_room_and_those_before_it(path):
    assert imported_rooms(path) <= ALLOWED[path.relative_to(ROOT).parts[0]]


def test_no_file_of_the_rooms_is_longer_than_400_lines():
    lengths = {str(p.relative_to(ROOT)): len(p.read_text(encoding="utf-8").splitlines()) for p in FILES}
    assert {name: n for name, n in lengths.items() if n > 400} == {}
