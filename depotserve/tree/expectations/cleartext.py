"""Lines of a list, within bounds, and the text of one that is clear-signed (RFC 9580 section 7).

A signature is not checked here; what it does not cover is refused.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, BinaryIO, NamedTuple

from depotserve.tree.expectations.listed import LONGEST_LINE, UnusableError

if TYPE_CHECKING:
    from collections.abc import Iterator

__all__ = ["BEGIN", "SIGNATURE", "Line", "lines", "signed_part", "signed_text"]

BEGIN = b"-----BEGIN PGP SIGNED MESSAGE-----"
SIGNATURE = b"-----BEGIN PGP SIGNATURE-----"
_END = b"-----END PGP SIGNATURE-----"
_MARK = b"\xef\xbb\xbf"  # a byte order mark
_BLANKS = b" \t\r"


class Line(NamedTuple):
    """One line without its end."""

    number: int
    text: bytes
    whole: bool  # else it is longer than LONGEST_LINE, and `text` is its beginning


def lines(stream: BinaryIO) -> Iterator[Line]:
    """Yield the lines of a stream; memory does not grow with them, nor with the longest of them."""
    number = 0
    while True:
        text = stream.readline(LONGEST_LINE + 1)
        if not text:
            return
        number += 1
        whole = len(text) <= LONGEST_LINE or text.endswith(b"\n")
        rest = text
        while not whole and rest and not rest.endswith(b"\n"):
            rest = stream.readline(LONGEST_LINE)
        if number == 1 and text.startswith(_MARK):
            text = text[len(_MARK) :]
        yield Line(number, text.rstrip(b"\r\n"), whole)


def signed_text(given: Iterator[Line]) -> Iterator[Line]:
    """Yield the text that is signed, its dashes unescaped; all of it where nothing is.

    Blank lines at the beginning go, be it signed or not. Lines keep the numbers that they have in
    the file. Raises UnusableError for text that is cut short, and for what stands where the
    signature is not about it.
    """
    first = next((line for line in given if line.text.rstrip(_BLANKS)), None)
    if first is None:
        return
    if first.text.rstrip() != BEGIN:
        yield first
        yield from given
        return
    yield from signed_part(given)


def signed_part(given: Iterator[Line]) -> Iterator[Line]:
    """Yield the signed text that follows a line BEGIN, as `signed_text` does.

    Blanks at the end of a line go: no signature is about them (section 7.2).
    """
    _pass_headers(given)
    for line in given:
        text = line.text.rstrip(_BLANKS)
        if text == SIGNATURE:
            _pass_signature(given)
            return
        # A line that begins with a dash and is not escaped stays, and is none of a list.
        yield line._replace(text=text[2:] if line.text.startswith(b"- ") else text)
    raise UnusableError("the signed text is cut short: no signature follows it")


def _pass_headers(given: Iterator[Line]) -> None:
    for line in given:
        if not line.text.strip():
            return
        # The only one that is allowed; a text could be hidden in others.
        if not line.text.startswith(b"Hash: "):
            raise UnusableError(f"line {line.number} is no header of signed text")


def _pass_signature(given: Iterator[Line]) -> None:
    if not any(line.text.rstrip() == _END for line in given):
        raise UnusableError("the signature is cut short")
    for line in given:
        if line.text.strip():
            raise UnusableError(f"line {line.number} stands outside the signed text")
