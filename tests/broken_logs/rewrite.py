"""Write every expected.txt anew from what is told now: python -m tests.broken_logs.rewrite. Then review the diff."""

from __future__ import annotations

import tempfile
from pathlib import Path

from tests.broken_logs.cases import CASES, outcome


def main() -> None:
    for case in CASES:
        with tempfile.TemporaryDirectory() as temp:
            (case.folder / "expected.txt").write_text(outcome(case, Path(temp)), encoding="utf-8")
        print(f"--- {case.name}\n{case.expected}")


if __name__ == "__main__":
    main()
