"""Waiting for another machine only so long: what is asked for runs in a thread that can be left behind."""

from __future__ import annotations

import queue
import threading
from collections.abc import Callable, Generator, Iterable
from typing import Final, TypeVar

T = TypeVar("T")

_END: Final = object()
_TIDY_S: Final = 5.0


class _Failed:
    def __init__(self, error: BaseException) -> None:
        self.error = error


def patiently(
    make: Callable[[], Iterable[T]], timeout_s: float, silent: Callable[[], Exception]
) -> Generator[T, None, None]:
    """Yield what `make` yields. Raises what it raises, and `silent()` when nothing comes for `timeout_s`.

    A thread that never comes back is a daemon: it holds up neither this program nor its end.
    """
    answers: queue.Queue[object] = queue.Queue(maxsize=1)
    gone = threading.Event()

    def give(answer: object) -> bool:
        while not gone.is_set():
            try:
                answers.put(answer, timeout=0.1)
                return True
            except queue.Full:
                continue
        return False

    def ask() -> None:
        try:
            if all(give(item) for item in make()):
                give(_END)
        except BaseException as err:
            give(_Failed(err))

    thread = threading.Thread(target=ask, daemon=True)
    thread.start()
    waiting = True
    try:
        while True:
            try:
                answer = answers.get(timeout=timeout_s)
            except queue.Empty:
                waiting = False
                raise silent() from None
            if answer is _END:
                return
            if isinstance(answer, _Failed):
                raise answer.error
            yield answer  # type: ignore[misc]
    finally:
        gone.set()
        if waiting:
            thread.join(_TIDY_S)
