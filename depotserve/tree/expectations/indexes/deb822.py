"""Paragraphs of fields, as Debian's control files have them (deb822(5), Debian Policy section 5.1).

Field by field as the lines come, or a paragraph at a time; only fields that are asked for are kept.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, BinaryIO, NamedTuple

import attrs

from depotserve.tree.expectations.cleartext import lines, signed_text
from depotserve.tree.expectations.listed import Unreadable

if TYPE_CHECKING:
    from collections.abc import Iterator

__all__ = ["Boundary", "Paragraph", "Part", "Value", "paragraphs", "parts"]

MOST_KEPT = 1024 * 1024  # bytes a paragraph: the longest source package lists some 100 files


class Part(NamedTuple):
    """One line of a field."""

    line: int
    name: str  # in lower case
    value: bytes
    begins: bool  # whether the field begins here; else the line continues it


class Boundary(NamedTuple):
    """The end of a paragraph."""

    line: int  # where the paragraph began


class Value(NamedTuple):
    """One line of the value of a field."""

    line: int
    text: bytes


@attrs.define
class Paragraph:
    """The fields of a paragraph that were asked for, and what of it could not be read."""

    line: int = 0
    fields: dict[str, list[Value]] = attrs.field(factory=dict)
    faults: list[Unreadable] = attrs.field(factory=list)
    kept: int = 0
    dropping: bool = False

    def single(self, name: str) -> Value | None:
        """Give the value of a field that is one line; None if it is not there, or has more."""
        values = self.fields.get(name, [])
        return values[0] if len(values) == 1 and values[0].text else None


def parts(
    stream: BinaryIO, wanted: frozenset[str] | None = None
) -> Iterator[Part | Boundary | Unreadable]:
    """Yield the lines of the fields called `wanted` (of all if None), and paragraphs' ends.

    A line that is too long, and one that is no line of a field, is Unreadable. Clear-signed text is
    unwrapped, comments are passed over. Raises UnusableError for signed text that is cut short, and
    whatever reading the stream raises.
    """
    name, keep, start = "", False, 0
    for number, text, whole in signed_text(lines(stream)):
        first = text[:1]
        if not first:
            if start:
                yield Boundary(start)
            name, keep, start = "", False, 0
            continue
        if first == b"#":
            continue
        begins = first not in (b" ", b"\t")
        start = start or number
        value = text
        fails = not name
        if begins:
            head, colon, value = text.partition(b":")
            # A name with other characters is none that anybody asks for.
            name = head.decode("ascii", "replace").lower()
            fails = not colon or not name
            keep = not fails and (wanted is None or name in wanted)
        if fails:
            name = "?"  # lines that continue it are part of the same fault
            yield Unreadable(number, "neither a field nor the rest of one")
        elif keep and not whole:
            yield Unreadable(number, "the line is too long")
        elif keep:
            yield Part(number, name, value.strip(), begins)
    if start:
        yield Boundary(start)


def paragraphs(stream: BinaryIO, wanted: frozenset[str]) -> Iterator[Paragraph]:
    """Yield each paragraph with its fields called `wanted`; raises what `parts` raises."""
    current = Paragraph()
    for part in parts(stream, wanted):
        if isinstance(part, Boundary):
            current.line = part.line
            yield current
            current = Paragraph()
        elif isinstance(part, Unreadable):
            if len(current.faults) < 100:  # a file of another kind has nothing else
                current.faults.append(part)
        else:
            _keep(current, part)


def _keep(paragraph: Paragraph, part: Part) -> None:
    was = paragraph.kept
    paragraph.kept += len(part.value) + 64  # and what Python needs around it
    if paragraph.kept > MOST_KEPT:
        if was <= MOST_KEPT:
            paragraph.faults.append(Unreadable(part.line, "the paragraph is too long from here on"))
        return
    if part.begins:
        was = paragraph.dropping
        paragraph.dropping = part.name in paragraph.fields
        # Where the line between two paragraphs is gone, every field comes twice.
        if paragraph.dropping and not was:
            paragraph.faults.append(Unreadable(part.line, "the field is given twice"))
    if paragraph.dropping:
        return
    paragraph.fields.setdefault(part.name, []).append(Value(part.line, part.value))
