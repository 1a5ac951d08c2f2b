"""Damages documents byte by byte, the same way each time. No test in here."""

from __future__ import annotations

import random
from collections.abc import Iterator, Sequence

MARKS = (b"<", b">", b"&", b'"', b"\0", b"\xff", b"{", b"}", b"[", b"]", b",", b"|", b"\n", b"\\ud800", b"9" * 400)


def mutations(document: bytes, n: int, marks: Sequence[bytes] = MARKS, seed: int = 1) -> Iterator[bytes]:
    """Yield n copies of a document, each with one to six changes: a byte, a cut, a mark put in, a piece doubled."""
    rng = random.Random(seed)
    for _ in range(n):
        text = bytearray(document)
        for _ in range(rng.randint(1, 6)):
            if not text:
                break
            at = rng.randrange(len(text))
            match rng.randrange(5):
                case 0:
                    text[at] = rng.randrange(256)
                case 1:
                    del text[at : at + rng.randint(1, 40)]
                case 2:
                    text[at:at] = rng.choice(marks)
                case 3:
                    text[at:at] = text[at : at + rng.randint(1, 60)]
                case _ if rng.random() < 0.2:
                    del text[at + 1 :]
        yield bytes(text)
