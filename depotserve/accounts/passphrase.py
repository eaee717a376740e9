"""Make a passphrase that a person can read aloud and type on any keyboard."""

from __future__ import annotations

import secrets

__all__ = ["ALPHABET", "generate", "grouped"]

# Small letters and digits only, and none that looks like another in common typefaces or
# handwriting: without b 6, g q 9, i j l 1, o 0, s 5, u v, z 2, and m, which rn looks like.
ALPHABET = "acdefhknprtwxy3478"
_GROUP = 5
_LENGTH = 25  # 25 of 18 characters: 104 bits


def generate() -> str:
    """Make a random passphrase of 25 letters and digits, 104 bits from the system's source."""
    return "".join(secrets.choice(ALPHABET) for _ in range(_LENGTH))


def grouped(passphrase: str) -> str:
    """Write a passphrase in groups of five for reading; the blanks are no part of it."""
    starts = range(0, len(passphrase), _GROUP)
    return " ".join(passphrase[start : start + _GROUP] for start in starts)
