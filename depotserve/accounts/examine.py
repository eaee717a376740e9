"""Check one passphrase against one account, so that every refusal costs the same."""

from __future__ import annotations

import unicodedata
from typing import TYPE_CHECKING

from depotserve.accounts import hashes
from depotserve.accounts.model import Work

if TYPE_CHECKING:
    from collections.abc import Iterator

    from depotserve.accounts.hashes import Hash

__all__ = ["examine", "forms", "padding", "trimmed"]

_LOWEST_ROUNDS = 1 << hashes.LOWEST_COST
# Normal form C takes at least a third of any other form's bytes (Unicode TR 15, expansion
# factors), and normalising takes quadratic time on long runs of combining marks.
_LONGEST_OTHER_FORM = 4 * hashes.LONGEST


def forms(passphrase: bytes) -> tuple[bytes, ...]:
    """List the bytes to try: as sent, then in Unicode normal form C if that differs.

    Leaves out what is never right: bytes that are no UTF-8 or hold a NUL, and over 72 bytes.
    """
    if len(passphrase) > _LONGEST_OTHER_FORM or b"\0" in passphrase:
        return ()
    try:
        text = passphrase.decode("utf-8")
    except UnicodeDecodeError:
        return ()
    both = dict.fromkeys((passphrase, unicodedata.normalize("NFC", text).encode("utf-8")))
    return tuple(form for form in both if len(form) <= hashes.LONGEST)


def trimmed(passphrase: bytes) -> bytes:
    """Give the passphrase, or for one too long to be right some short one that is as wrong."""
    return passphrase if len(passphrase) <= _LONGEST_OTHER_FORM else b"\0"


def examine(passphrase: bytes, known: tuple[Hash, ...], target: Work) -> Hash | None:
    """Give the hash that the passphrase matches, or None after as much work as for any user.

    `known` are the hashes in force, none for a user who is unknown or may not sign in; `target`
    is the highest work over all users. A refusal costs the target once for each form of the
    passphrase that is tried, at least once: that hangs on the passphrase and never on the user.
    """
    tried = forms(passphrase)
    for form in tried:
        for each in known:
            if hashes.verify(form, each):
                return each
    spent = Work.of(known)
    passes = [spent] * len(tried) or [Work()]
    for done in passes:
        _spend(target, done)
    return None


def _spend(target: Work, done: Work) -> None:
    for cost in padding(target.rounds - done.rounds):
        hashes.verify(b"", hashes.decoy(cost))
    for _ in range(target.apr1 - done.apr1):
        hashes.verify(b"", hashes.decoy(None))


def padding(rounds: int) -> Iterator[int]:
    """Yield the costs whose checks together take so many rounds, a multiple of 16."""
    cost = hashes.LOWEST_COST
    left = rounds // _LOWEST_ROUNDS
    while left > 0:
        if left & 1:
            yield cost
        left >>= 1
        cost += 1
