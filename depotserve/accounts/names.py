"""Names of users: which may stand in a users file, and which of them one may have meant."""

from __future__ import annotations

import difflib
import unicodedata
from typing import TYPE_CHECKING

from depotserve.errors import CallerError

if TYPE_CHECKING:
    from collections.abc import Iterable

__all__ = ["LONGEST", "canonical", "fault_of", "nearest", "require"]

LONGEST = 255  # bytes
_RESERVED = {"any": "every signed-in user", "anonymous": "everybody"}
# Control characters, line and paragraph separators, and what is left of bytes that are no UTF-8.
_FORBIDDEN = {"Cc": "a control character", "Zl": "a line separator", "Zp": "a line separator"}


def fault_of(name: str) -> str:
    """Say what keeps `name` from being a user name, or "" if nothing does.

    RFC 7617 section 2 forbids the colon and control characters.
    """
    for wrong, what in _RULES:
        if wrong(name):
            return what
    reserved = _RESERVED.get(name)
    return f"the name {name} means {reserved} in depot.yaml" if reserved else _odd_character(name)


_RULES = (
    (lambda name: not name, "the name is empty"),
    (lambda name: name != name.strip(), "the name begins or ends with a blank"),
    (lambda name: ":" in name, "the name holds a colon"),
    (lambda name: name.startswith("#"), "a line that begins with # is a comment"),
    (lambda name: any("\ud800" <= char <= "\udfff" for char in name), "the name is not UTF-8"),
    (lambda name: len(name.encode("utf-8")) > LONGEST, "the name is over 255 bytes"),
    (
        lambda name: not unicodedata.is_normalized("NFC", name),
        "the name is not in Unicode normal form C",
    ),
)


def _odd_character(name: str) -> str:
    kinds = (_FORBIDDEN.get(unicodedata.category(char)) for char in name)
    found = next(filter(None, kinds), None)
    return f"the name holds {found}" if found else ""


def require(name: str) -> str:
    """Give the name in Unicode normal form C. Raises CallerError if it can be no user name."""
    canonic = canonical(name)
    fault = fault_of(canonic)
    if fault:
        raise CallerError(
            fault, allowed="a name is 1 to 255 bytes of UTF-8 without colon or control characters"
        )
    return canonic


def canonical(name: str) -> str:
    """Put a name into Unicode normal form C; one too long to be known stays as it is."""
    # Normalising takes quadratic time on long runs of combining marks.
    return unicodedata.normalize("NFC", name) if len(name) <= 4 * LONGEST else name


def nearest(name: str, names: Iterable[str]) -> list[str]:
    """List up to three known names that resemble `name`, the closest first."""
    known = {candidate.casefold(): candidate for candidate in names}
    return [known[found] for found in difflib.get_close_matches(name.casefold(), known, n=3)]
