"""Which passphrases may be set: NIST SP 800-63B-4 section 3.1.1.2 for a password that stands alone.

A length, a list of what is guessed first, no rules about kinds of characters.
"""

from __future__ import annotations

import functools
import importlib.resources
import unicodedata

from depotserve.accounts.hashes import LONGEST
from depotserve.errors import CallerError

__all__ = ["DEFAULT_MINIMUM", "LOWEST_MINIMUM", "check"]

DEFAULT_MINIMUM = 15  # characters, where nothing else proves who somebody is
LOWEST_MINIMUM = 8  # characters; what the standard asks of a password beside another factor
_FEWEST_REPEATS = 1.5  # of a shorter text, to be called a repetition
_MOST_PARTS = 3  # common ones in a row that are still common
_CONTROL = "Cc"


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

    Digits and what is neither letter nor digit may stand between and around them.
    """
    common = _common()
    words = common | {user} if user else common
    longest = max(map(len, words))
    fewest = {0: 0}
    for start in range(len(text)):
        if start not in fewest:
            continue
        _reach(fewest, start, start + 1, 0 if not text[start].isalpha() else _MOST_PARTS + 1)
        for end in range(start + 1, min(len(text), start + longest) + 1):
            if text[start:end] in words:
                _reach(fewest, start, end, 1)
    return fewest.get(len(text), _MOST_PARTS + 1) <= _MOST_PARTS


def _reach(fewest: dict[int, int], start: int, end: int, parts: int) -> None:
    total = fewest[start] + parts
    if total <= _MOST_PARTS:
        fewest[end] = min(total, fewest.get(end, total))


@functools.lru_cache(maxsize=1)
def _common() -> frozenset[str]:
    files = importlib.resources.files("depotserve.accounts")
    lines = (files / "common.txt").read_text("utf-8").splitlines()
    return frozenset(line for line in lines if line and not line.startswith("#"))
