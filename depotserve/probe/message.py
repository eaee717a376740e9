"""HTTP/1.1 answers taken apart (RFC 9112), without I/O."""

from __future__ import annotations

import re
from enum import Enum

import attrs

__all__ = ["BadMessageError", "Framing", "Head", "coding_of", "parse_head"]

_STATUS_LINE = re.compile(rb"HTTP/1\.([01]) ([1-9][0-9]{2})(?: [^\r\n]*)?")
_NAME = re.compile(rb"[!#$%&'*+.^_`|~0-9A-Za-z-]+")  # RFC 9110 §5.6.2
_LENGTH = re.compile(r"[0-9]{1,18}")
_MOST_FIELDS = 200
_NO_BODY = (204, 304)  # RFC 9110 §6.4.1


class BadMessageError(Exception):
    """What came is no answer of HTTP/1.1; the text says why."""


class Framing(Enum):
    """How an answer's body ends (RFC 9112 §6.3)."""

    NONE = "none"
    LENGTH = "length"
    CHUNKS = "chunks"
    CLOSE = "close"


@attrs.frozen
class Head:
    """Status and fields of an answer; names in lower case, in the order in which they came."""

    minor: int  # of the version: 0 or 1
    status: int
    fields: tuple[tuple[str, str], ...]

    def get(self, name: str) -> str | None:
        """Give a field's values, joined by commas (RFC 9110 §5.3); None if it is not there."""
        values = [value for key, value in self.fields if key == name]
        return ", ".join(values) if values else None

    def framing(self, method: str) -> Framing:
        """Tell how the body of an answer to `method` ends; raise BadMessageError if unclear."""
        if method == "HEAD" or self.status < 200 or self.status in _NO_BODY:
            return Framing.NONE
        coding = self.get("transfer-encoding")
        if coding is not None:
            last = coding.lower().rpartition(",")[2].strip()
            return Framing.CHUNKS if last == "chunked" else Framing.CLOSE
        return Framing.CLOSE if self.length is None else Framing.LENGTH

    @property
    def length(self) -> int | None:
        """Give Content-Length, None if there is none; raise BadMessageError if it is no number."""
        value = self.get("content-length")
        if value is None:
            return None
        if not _LENGTH.fullmatch(value):
            raise BadMessageError("its Content-Length is no number")
        return int(value)

    @property
    def closes(self) -> bool:
        """Tell whether the server says that it closes after this answer (RFC 9112 §9.3)."""
        options = {option.strip().lower() for option in (self.get("connection") or "").split(",")}
        return "close" in options or (self.minor == 0 and "keep-alive" not in options)


def parse_head(lines: list[bytes]) -> Head:
    """Read status line and fields, without line ends; raise BadMessageError."""
    match = _STATUS_LINE.fullmatch(lines[0])
    if match is None:
        raise BadMessageError("it does not begin with a status line of HTTP/1.1")
    if len(lines) > _MOST_FIELDS:
        raise BadMessageError(f"it has more than {_MOST_FIELDS} fields")
    return Head(int(match[1]), int(match[2]), tuple(map(_field, _unfolded(lines[1:]))))


def coding_of(head: Head) -> str:
    """Give an answer's content coding in lower case; nothing for none (RFC 9110 §8.4)."""
    coding = (head.get("content-encoding") or "").strip().lower()
    return "" if coding == "identity" else coding


def _unfolded(lines: list[bytes]) -> list[bytes]:
    """Join a field that an old server has put on several lines (RFC 9112 §5.2)."""
    fields: list[bytes] = []
    for line in lines:
        if fields and line[:1] in {b" ", b"\t"}:
            fields[-1] += b" " + line.strip(b" \t")
        else:
            fields.append(line)
    return fields


def _field(line: bytes) -> tuple[str, str]:
    name, colon, value = line.partition(b":")
    if not colon or not _NAME.fullmatch(name):
        raise BadMessageError("it has a line that is no field")
    return name.decode("ascii").lower(), value.strip(b" \t").decode("latin-1")
