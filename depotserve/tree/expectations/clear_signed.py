"""Clear-signed text: the lines that its signature is about, and no other (RFC 9580 section 7)."""

from __future__ import annotations

from typing import TYPE_CHECKING

from depotserve.tree.expectations.listed import UnusableError

if TYPE_CHECKING:
    from collections.abc import Iterator

    from depotserve.tree.expectations.records import Line

__all__ = ["BEGIN", "SIGNATURE", "signed_lines"]

BEGIN = b"-----BEGIN PGP SIGNED MESSAGE-----"
SIGNATURE = b"-----BEGIN PGP SIGNATURE-----"
_END = b"-----END PGP SIGNATURE-----"
_BLANKS = b" \t\r"


def signed_lines(lines: Iterator[Line]) -> Iterator[Line]:
    """Yield the text that follows a line BEGIN, with the file's line numbers.

    Dash-escaping is undone, and blanks at the end of a line go: no signature is about them
    (section 7.2). Raises UnusableError for text that is cut short, or that stands where the
    signature is not about it; whether the signature holds is not asked here.
    """
    _pass_headers(lines)
    for number, line in lines:
        text = None if line is None else line.rstrip(_BLANKS)
        if text == SIGNATURE:
            _pass_signature(lines)
            return
        # A line that begins with a dash and is not escaped stays, and is none of a list.
        yield number, text[2:] if text is not None and text.startswith(b"- ") else text
    raise UnusableError("the signed text has no end")


def _pass_headers(lines: Iterator[Line]) -> None:
    # Section 7: any other header makes the message malformed; text can be hidden in one.
    for number, line in lines:
        if line is not None and not line.rstrip(_BLANKS):
            return
        if line is None or not line.startswith(b"Hash: "):
            raise UnusableError(f"line {number} is no header of signed text")


def _pass_signature(lines: Iterator[Line]) -> None:
    for _, line in lines:
        if line is not None and line.rstrip(_BLANKS) == _END:
            break
    else:
        raise UnusableError("the signature has no end")
    for number, line in lines:
        if line is None or line.strip(_BLANKS):
            raise UnusableError(f"line {number} stands outside the signed text")
