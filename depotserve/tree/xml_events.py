"""XML, read as a stream of events: no document type, no entity of its own, bounded depth and text.

Namespaces are resolved (Namespaces in XML 1.0): a name is `URI|local`, or `local` alone.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, BinaryIO, NamedTuple
from xml.parsers import expat  # without a document type nothing can be expanded

if TYPE_CHECKING:
    from collections.abc import Iterator

__all__ = ["BadXmlError", "End", "Start", "events"]

_PIECE = 65536
DEEPEST = 64
# Bytes of the texts of all elements that are open, or of one tag, which expat buffers whole.
LONGEST_TEXT = 1024 * 1024


class BadXmlError(Exception):
    """What is no well-formed XML, or has what is refused; the text says what and on which line."""


class Start(NamedTuple):
    """An element begins."""

    name: str
    attributes: dict[str, str]
    line: int


class End(NamedTuple):
    """An element ends; `text` is its own text, without that of elements within it."""

    name: str
    text: str
    line: int


class _Collector:
    """Turns the parser's calls into events."""

    def __init__(self) -> None:
        self.parser = expat.ParserCreate(namespace_separator="|")
        self.parser.StartElementHandler = self._start
        self.parser.EndElementHandler = self._end
        self.parser.CharacterDataHandler = self._text
        self.parser.StartDoctypeDeclHandler = self._doctype
        self.parser.buffer_text = True
        self.events: list[Start | End] = []
        self._texts: list[list[str]] = []  # of each element that is open
        self._length = 0  # of them all
        self._between = False  # the last was the end of an element

    def _start(self, name: str, attributes: dict[str, str]) -> None:
        if len(self._texts) >= DEEPEST:
            raise BadXmlError(f"line {self._line}: more than {DEEPEST} elements within each other")
        self._texts.append([])
        self._between = False
        self.events.append(Start(name, attributes, self._line))

    def _end(self, name: str) -> None:
        text = "".join(self._texts.pop())
        self._length -= len(text)
        self._between = True
        self.events.append(End(name, text, self._line))

    def _text(self, text: str) -> None:
        if self._between and text.isspace():  # after each of many elements, to no purpose
            return
        self._length += len(text)
        if self._length > LONGEST_TEXT:
            raise BadXmlError(f"line {self._line}: a text is longer than {LONGEST_TEXT} characters")
        self._between = False
        self._texts[-1].append(text)

    def _doctype(self, *_: object) -> None:
        raise BadXmlError(f"line {self._line}: a document type declaration is not taken")

    @property
    def _line(self) -> int:
        return self.parser.CurrentLineNumber


def events(stream: BinaryIO) -> Iterator[Start | End]:
    """Yield the beginning and the end of each element, in order; memory does not grow.

    Raises BadXmlError, and whatever reading the stream raises.
    """
    collector = _Collector()
    unseen = 0
    while True:
        data = stream.read(_PIECE)
        wrong = _feed(collector, data)
        unseen = 0 if collector.events else unseen + len(data)
        if unseen > LONGEST_TEXT:
            raise BadXmlError(f"a text or tag is longer than {LONGEST_TEXT} bytes")
        yield from collector.events
        collector.events.clear()
        if wrong is not None:
            raise wrong
        if not data:
            return


def _feed(collector: _Collector, data: bytes) -> BadXmlError | None:
    """Parse one more piece; what is wrong with it is told after the events before it."""
    try:
        collector.parser.Parse(data, not data)
    except expat.ExpatError as error:
        return BadXmlError(f"line {error.lineno}: {expat.ErrorString(error.code)}")
    except (ValueError, LookupError) as error:  # an unknown encoding
        return BadXmlError(str(error))
    except BadXmlError as error:
        return error
    return None
