"""One large JSON object, read item by item: what stands in its lists need not fit into memory."""

from __future__ import annotations

import codecs
import json
import re
from collections.abc import Iterator
from typing import Any, BinaryIO, Final

from ingest.errors import InputError

CHUNK: Final = 1 << 16
LONGEST: Final = 4 << 20  # characters of one item
_BLANK: Final = re.compile(r"[ \t\r\n]*")


class _Text:
    """The text that is at hand, and where the reader stands in it."""

    def __init__(self, stream: BinaryIO, shown: str) -> None:
        self.stream, self.shown = stream, shown
        self.decoder = codecs.getincrementaldecoder("utf-8-sig")("taktbook_cp1252")
        self.json = json.JSONDecoder(parse_int=str, parse_float=str, parse_constant=str)  # numbers stay as written
        self.held, self.at, self.more, self.passed = "", 0, True, 0

    def fill(self, size: int) -> bool:
        """Have at least so many characters at hand; returns whether there is more than before."""
        before = len(self.held) - self.at
        self.passed += self.at
        pieces = [self.held[self.at :]]
        length, self.at = before, 0
        while self.more and length < size:
            piece = self.stream.read(CHUNK)
            self.more = bool(piece)
            pieces.append(self.decoder.decode(piece, final=not piece))
            length += len(pieces[-1])
        self.held = "".join(pieces)
        return length > before

    def sign(self) -> str:
        """Return the next sign that is no blank, without taking it; "" at the end."""
        while True:
            blank = _BLANK.match(self.held, self.at)
            self.at = blank.end() if blank else self.at
            if self.at < len(self.held):
                return self.held[self.at]
            if not self.fill(CHUNK):
                return ""

    def take(self, *signs: str) -> str:
        """Take the next sign, which must be one of these."""
        found = self.sign()
        if found not in signs or not found:
            raise self.wrong(f"here should be {' or '.join(signs)}")
        self.at += 1
        return found

    def value(self) -> Any:
        """Take the next value, whole."""
        self.sign()
        size = CHUNK
        while True:
            try:
                value, end = self.json.raw_decode(self.held, self.at)
            except RecursionError:
                raise self.wrong("lists and objects lie too deep within one another") from None
            except ValueError as err:
                if size > LONGEST:
                    raise self.wrong(f"this cannot be read, or is longer than {LONGEST:,} signs") from None
                size *= 2
                if not self.fill(size) and not self.more:
                    raise self.wrong(str(err).partition(":")[0]) from None
                continue
            if end < len(self.held) or not self.fill(len(self.held) - self.at + 1):  # else a number might go on
                self.at = end
                return value

    def wrong(self, what: str) -> InputError:
        """Return the error for what stands here."""
        found = self.held[self.at : self.at + 60]
        return InputError(
            f"The JSON is damaged or not complete: {what}.",
            where=f"{self.shown}, sign {self.passed + self.at + 1:,}",
            found=found.encode("utf-8", "replace").decode() or "the end of the file",
            fix="Copy it again, and load when the copy is complete. Nothing of it was loaded.",
        )


def items(stream: BinaryIO, shown: str, keys: set[str]) -> Iterator[tuple[str, Any]]:
    """Yield (key, item) for each item of each list of the object; other values of it are passed over.

    Numbers come as the text that was written. `keys` gets the object's keys.
    Raises InputError when the text is no JSON object or breaks off.
    """
    text = _Text(stream, shown)
    text.take("{")
    if text.sign() == "}":
        text.take("}")
        return
    while True:
        if text.sign() != '"':
            raise text.wrong("here should be a key")
        key = text.value()
        keys.add(key)
        text.take(":")
        if text.sign() == "[":
            text.take("[")
            if text.sign() == "]":
                text.take("]")
            else:
                while True:
                    yield key, text.value()
                    if text.take(",", "]") == "]":
                        break
        else:
            text.value()
        if text.take(",", "}") == "}":
            break
    if text.sign():
        raise text.wrong("behind the object there is something else")
