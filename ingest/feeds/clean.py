"""From what was sent to a line of a text file: no control characters inside, and a mark on what did not come whole.

A spool file is text that the loader reads like any log. So that no sender can make it look like something else, control
characters are written as # and three octal digits, as receivers of syslog commonly do: #012 is a line feed, #000 a NUL.
"""

from __future__ import annotations

import re
from typing import Final

LONGEST: Final = 1 << 20  # bytes of a line or message; what is longer is cut off
SHOWN: Final = 300  # bytes that are kept of what is cut off

_CONTROL: Final = re.compile(rb"[\x00-\x08\x0a-\x1f\x7f]")
_OTHER_FILES: Final = (b"\xff\xfe", b"\xfe\xff", b"\x28\xb5\x2f\xfd")  # UTF-16 and zstd are known by their first bytes


def clean(message: bytes) -> bytes:
    """Return a message as one line of text, without its line end."""
    message = message.removesuffix(b"\n").removesuffix(b"\r")
    if _CONTROL.search(message):
        message = _CONTROL.sub(lambda found: _octal(found.group()), message)
    if message.startswith(_OTHER_FILES):
        message = _octal(message[:1]) + message[1:]
    return message


def marked(what: str, beginning: bytes) -> bytes:
    """Return the line that stands for what did not come whole: what happened, and how it began.

    The NUL in front takes care that no rule can take it for a record: such lines go to the quarantine.
    """
    return b"\0[taktbook: " + what.encode() + b"] " + clean(beginning[:SHOWN])


def _octal(byte: bytes) -> bytes:
    return b"#%03o" % byte[0]
