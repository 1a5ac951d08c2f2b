"""XML read from front to back with bounded memory. DOCTYPE, and with it every entity of one's own, is refused."""

from __future__ import annotations

import codecs
from collections.abc import Iterator, Mapping
from typing import BinaryIO, Final, Protocol
from xml.parsers import expat

from ingest.errors import InputError

CHUNK: Final = 1 << 16
LONGEST: Final = 4 << 20  # bytes of one tag or text
DEEPEST: Final = 200  # elements within elements
ANY_TAG: Final = (b"<",)
NEW_DOCUMENT: Final = (b"<?xml", b"<MTConnect")  # what is looked for behind a damaged one
NEAR: Final = 200
_CUT_OFF: Final = [
    expat.errors.codes[message]
    for message in (
        expat.errors.XML_ERROR_NO_ELEMENTS,
        expat.errors.XML_ERROR_UNCLOSED_TOKEN,
        expat.errors.XML_ERROR_PARTIAL_CHAR,
        expat.errors.XML_ERROR_UNCLOSED_CDATA_SECTION,
    )
]


class Visitor(Protocol):
    """Who is told of the elements, by their names without prefix; the root's depth is 1."""

    def start(self, name: str, attributes: Mapping[str, str], depth: int) -> None:
        """Tell of a start tag."""

    def end(self, name: str, text: str, depth: int) -> None:
        """Tell of an end tag, with the text since the last tag."""

    def damaged(self, reason: str, near: str) -> None:
        """Tell that a document cannot be read on; what follows is the next one."""


class DamageError(Exception):
    """Raised by a visitor when the document cannot be meant."""


class _Document:
    """One document on its way through expat."""

    def __init__(self, visitor: Visitor, shown: str, encoding: str) -> None:
        self.visitor, self.shown = visitor, shown
        self.depth, self.length, self.pieces, self.closed = 0, 0, list[str](), False
        self.parser = expat.ParserCreate(None if encoding == "utf-8" else encoding)
        self.parser.buffer_text = True
        self.parser.StartElementHandler = self._start
        self.parser.EndElementHandler = self._end
        self.parser.CharacterDataHandler = self._text
        self.parser.StartDoctypeDeclHandler = self._doctype

    def feed(self, data: memoryview, final: bool) -> str | None:
        """Take the next bytes; returns why the document cannot be read on ("" when it was whole), else None."""
        try:
            self.parser.Parse(data, final)
        except DamageError as err:
            return str(err)
        except expat.ExpatError as err:
            if self.closed:
                return ""
            if final and err.code in _CUT_OFF:
                return "the document is not complete: it ends in the middle"
            return f"the XML is damaged: {expat.ErrorString(err.code)}"
        except (ValueError, LookupError) as err:  # an encoding that nobody knows
            return f"the XML cannot be read: {err}"
        return None

    @property
    def stands_at(self) -> int:
        """The byte of the document that was not read yet, or not to its end."""
        return max(self.parser.CurrentByteIndex, 0)

    def _start(self, name: str, attributes: Mapping[str, str]) -> None:
        self.depth += 1
        if self.depth > DEEPEST:
            raise DamageError(f"elements lie within one another more than {DEEPEST} deep")
        self.pieces, self.length = [], 0
        self.visitor.start(name.rpartition(":")[2], attributes, self.depth)

    def _end(self, name: str) -> None:
        self.visitor.end(name.rpartition(":")[2], "".join(self.pieces).strip(), self.depth)
        self.pieces, self.length = [], 0
        self.depth -= 1
        self.closed = self.depth == 0

    def _text(self, text: str) -> None:
        self.length += len(text)
        if self.length > LONGEST:
            raise DamageError(f"a text is longer than {LONGEST:,} characters")
        self.pieces.append(text)

    def _doctype(self, *_: object) -> None:
        raise InputError(
            "The document has a DOCTYPE, which is refused: it can draw in other files or grow without end.",
            where=self.shown, fix="Have it written without a DOCTYPE; documents of this kind need none.",
        )  # fmt: skip


def read_documents(stream: BinaryIO, shown: str, visitor: Visitor, encoding: str = "utf-8") -> Iterator[None]:
    """Tell a visitor of all documents in the stream, one behind the other; yields after every piece that was read.

    Between documents anything but a tag may stand. Behind a damaged document it goes on where the next one begins.
    Raises InputError for a DOCTYPE, and whatever the visitor raises.
    """
    document: _Document | None = None
    held, held_at = b"", 0  # bytes that may be needed yet, and where in the stream they stand
    begun = fed = look = (
        0  # places in the stream: where the document begins, what expat has, where to look for the next
    )
    seeking: tuple[bytes, ...] = ANY_TAG
    more = True
    while more:
        piece = stream.read(CHUNK)
        more = bool(piece)
        held += piece
        while True:
            if document is None:
                begun = _find(held, look - held_at, seeking) + held_at
                if begun < held_at:
                    look = max(look, held_at + len(held) - (max(map(len, seeking)) - 1 if more else 0))
                    break
                document, fed = _Document(visitor, shown, encoding), begun
            reason = document.feed(memoryview(held)[fed - held_at :], not more)
            fed = held_at + len(held)
            if reason is None and document.stands_at + begun + LONGEST < fed:
                reason = f"a tag is longer than {LONGEST:,} bytes"
            if reason is None:
                break
            look = begun + max(document.stands_at, 1)
            seeking = NEW_DOCUMENT if reason else ANY_TAG
            document = None
            if reason:
                near = held[look - held_at : look - held_at + NEAR]
                visitor.damaged(reason, near.decode("utf-8", "replace").replace("\0", ""))
        held_from = begun + document.stands_at if document else look
        held, held_at = held[held_from - held_at :], held_from
        yield


def _find(data: bytes, start: int, words: tuple[bytes, ...]) -> int:
    """Return where the first of the words stands; far below 0 when none does."""
    if not start and data.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        return 0
    return min((n for word in words if (n := data.find(word, start)) >= 0), default=-(1 << 62))
