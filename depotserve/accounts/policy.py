"""Which passphrases may be set: NIST SP 800-63B-4 section 3.1.1.2 for a password that stands alone.

A length, a list of what is guessed first, no rules about kinds of characters.
"""

from __future__ import annotations

import functools
import importlib.resources
import unicodedata
from typing import TYPE_CHECKING

from depotserve.accounts.hashes import LONGEST
from depotserve.errors import CallerError

if TYPE_CHECKING:
    from collections.abc import Iterator

__all__ = ["DEFAULT_MINIMUM", "LOWEST_MINIMUM", "check"]

DEFAULT_MINIMUM = 15  # characters, where nothing else proves who somebody is
LOWEST_MINIMUM = 8  # characters; what the standard asks of a password beside another factor
_FEWEST_REPEATS = 1.5  # of a shorter text, to be called a repetition
_MOST_PARTS = 3  # common ones in a row that are still common
_MOST_SIGNS = 6  # digits or signs beside them: a year, an exclamation mark
_CONTROL = "Cc"
_Made = tuple[int, int]  # common parts, digits and signs


def check(passphrase: str, *, user: str, minimum: int = DEFAULT_MINIMUM) -> str:
    """Give the passphrase in Unicode normal form C if it may be set for `user`.

    `minimum` counts code points and is taken as 8 if lower. Raises CallerError that says what is
    wrong and what is allowed, and never quotes the passphrase.
    """
    least = max(minimum, LOWEST_MINIMUM)
    text = _normalised(passphrase)
    if any(unicodedata.category(char) == _CONTROL for char in text):
        raise CallerError("the passphrase holds a control character", allowed="take it out")
    _require_length(text, least)
    folded = text.casefold()
    if folded == user.casefold():
        raise CallerError("the passphrase is the user name", allowed="take another")
    if _shortest_period(folded) < least:
        raise CallerError("the passphrase repeats a shorter text", allowed="take another")
    if _is_common(folded, user.casefold()):
        raise CallerError("the passphrase is one of those guessed first", allowed="take another")
    return text


def _normalised(passphrase: str) -> str:
    # Normalising takes quadratic time on long runs of combining marks; none is right that long.
    text = passphrase if len(passphrase) > 4 * LONGEST else unicodedata.normalize("NFC", passphrase)
    try:
        text.encode("utf-8")
    except UnicodeEncodeError as error:
        raise CallerError("the passphrase is not UTF-8") from error
    return text


def _require_length(text: str, least: int) -> None:
    if len(text) < least:
        raise CallerError(
            f"the passphrase has {len(text)} characters",
            allowed=f"at least {least}, and at most {LONGEST} bytes",
        )
    size = len(text.encode("utf-8"))
    if size > LONGEST:
        raise CallerError(
            f"the passphrase is {size} bytes long, over {LONGEST} bytes",
            allowed=f"at most {LONGEST} bytes: bcrypt reads no more",
        )


def _shortest_period(text: str) -> int:
    """Give the length of the shorter text that `text` repeats, or its own length."""
    for period in range(1, int(len(text) / _FEWEST_REPEATS) + 1):
        if text.startswith(text[period:]):
            return period
    return len(text)


def _is_common(text: str, user: str) -> bool:
    """Tell whether the text is made of up to three common ones, the user name among them.

    Up to six digits or signs may stand between and around them.
    """
    words = _common() | {user}
    longest = max(map(len, words))
    reached: dict[int, set[_Made]] = {0: {(0, 0)}}
    for start in range(len(text)):
        for parts, signs in reached.get(start, ()):
            if not text[start].isalpha() and signs < _MOST_SIGNS:
                reached.setdefault(start + 1, set()).add((parts, signs + 1))
            for end in _ends(text, start, words, longest if parts < _MOST_PARTS else 0):
                reached.setdefault(end, set()).add((parts + 1, signs))
    return any(parts for parts, _ in reached.get(len(text), ()))


def _ends(text: str, start: int, words: frozenset[str], longest: int) -> Iterator[int]:
    for end in range(start + 1, min(len(text), start + longest) + 1):
        if text[start:end] in words:
            yield end


@functools.lru_cache(maxsize=1)
def _common() -> frozenset[str]:
    files = importlib.resources.files("depotserve.accounts")
    lines = (files / "common.txt").read_text("utf-8").splitlines()
    return frozenset(line for line in lines if line and not line.startswith("#"))
