"""Templates of the source language: "{field}", "{field:vocabulary}", plain words, or a mixture of them."""

from __future__ import annotations

import re
from dataclasses import dataclass

_TOKEN = re.compile(r"\{\{|\}\}|\{([^{}]*)\}|[{}]")


@dataclass(frozen=True, slots=True)
class Hole:
    """A place in a template that a field's word fills, translated by a vocabulary if one is named."""

    field: str
    words: str | None = None


@dataclass(frozen=True, slots=True)
class Template:
    """Words and holes in their order. A template with a hole that stays empty gives no value at all."""

    parts: tuple[str | Hole, ...]

    @property
    def holes(self) -> tuple[Hole, ...]:
        """The holes, in order."""
        return tuple(p for p in self.parts if isinstance(p, Hole))

    @property
    def constant(self) -> str | None:
        """The text of a template without holes, else None."""
        return None if self.holes else "".join(str(p) for p in self.parts)

    def number(self) -> tuple[Hole, str | None] | None:
        """Return (hole, unit) of a template of the form "{field}" or "{field} unit", else None."""
        if len(self.parts) == 1 and isinstance(self.parts[0], Hole):
            return self.parts[0], None
        if len(self.parts) == 2 and isinstance(self.parts[0], Hole) and isinstance(self.parts[1], str):
            return self.parts[0], self.parts[1].strip()
        return None


def parse_template(text: str) -> Template:
    """Parse a template. Raises ValueError with a sentence when a brace is wrong."""
    parts: list[str | Hole] = []
    words = ""
    end = 0
    for token in _TOKEN.finditer(text):
        words += text[end : token.start()]
        end = token.end()
        if token.group() in ("{{", "}}"):
            words += token.group()[0]
        elif token.group(1) is None:
            raise ValueError("a brace is not closed or not opened; write {field}, or {{ and }} for braces themselves")
        else:
            field, _, vocabulary = token.group(1).partition(":")
            if not field.strip() or (":" in token.group(1) and not vocabulary.strip()):
                raise ValueError("braces must hold a field, or a field and a vocabulary: {field} or {field:vocabulary}")
            if words:
                parts.append(words)
                words = ""
            parts.append(Hole(field.strip(), vocabulary.strip() or None))
    words += text[end:]
    if words:
        parts.append(words)
    return Template(tuple(parts))
