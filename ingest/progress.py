"""How long work tells how far it is: one small callable, silent by default."""

from __future__ import annotations

from collections.abc import Callable

Progress = Callable[[str, int, int | None], None]
"""step, done, of how many (None: unknown)"""


def silent(step: str, done: int, total: int | None) -> None:
    """Tell nobody."""
