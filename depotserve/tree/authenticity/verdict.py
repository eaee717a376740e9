"""What is said of one signature."""

from __future__ import annotations

from enum import Enum
from typing import TYPE_CHECKING

import attrs

if TYPE_CHECKING:
    from collections.abc import Sequence

__all__ = ["State", "Verdict", "together"]


class State(Enum):
    """How a signature was found, in the order in which one of several decides; GOOD authenticates.

    A signature by a pinned key that does not fit its file outweighs any that does: one of two
    people whom the keys' owner trusts did not sign these bytes.
    """

    BAD = "does not fit the file"
    GOOD = "good"
    REVOKED_KEY = "its key is revoked"
    EXPIRED_KEY = "its key has expired"
    EXPIRED_SIGNATURE = "has expired"
    TOO_EARLY = "made later than this machine's clock says"
    WEAK = "too weak to prove anything"
    UNREADABLE = "cannot be used"
    UNKNOWN_KEY = "its key is not pinned"
    OTHER_KIND = "of a kind that is not checked here"
    ORPHAN = "what it signs is not there"


@attrs.frozen
class Verdict:
    """One signature, or all those in one file: what was found, and whose key it was."""

    state: State
    vendor: str | None = None  # None unless a pinned key made it
    # OpenPGP: of the primary key; X.509: SHA-256 of the signer's certificate; hexadecimal. Of a key
    # that is not pinned, what the signature names, which proves nothing.
    fingerprint: str = ""
    detail: str = ""  # one line for a person, "" where the state says it all
    # Of the very bytes that were checked; None where none were. For a clear-signed file, of the
    # whole file, of which it vouches for the lines of `clear_signed.take_apart` alone.
    sha256: bytes | None = None


_RANK = {state: rank for rank, state in enumerate(State)}


def together(verdicts: Sequence[Verdict]) -> Verdict:
    """Give the verdict on a file that holds several signatures: the first in the order of State."""
    if not verdicts:
        return Verdict(State.UNREADABLE, detail="holds no signature")
    return min(verdicts, key=lambda one: _RANK[one.state])
