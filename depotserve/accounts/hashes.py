"""Password hashes: recognise one, check a passphrase against it, make one.

bcrypt goes to the `bcrypt` package directly: passlib's bcrypt part fails on every call with
current versions of it. APR1 alone goes to passlib.
"""

from __future__ import annotations

import re
import warnings

import attrs
import bcrypt

from depotserve.errors import CallerError

with warnings.catch_warnings():
    # passlib 1.7.4 imports `crypt`, which Python 3.11 and 3.12 announce as going away; 3.13 lacks
    # it and passlib does without. APR1 never uses it.
    warnings.simplefilter("ignore", DeprecationWarning)
    from passlib.hash import apr_md5_crypt

__all__ = [
    "ALLOWED",
    "APR1",
    "BCRYPT",
    "DEAREST",
    "LONGEST",
    "USUAL_COST",
    "Hash",
    "decoy",
    "make",
    "recognise",
    "verify",
]

BCRYPT = "bcrypt"
APR1 = "apr1"
LONGEST = 72  # bytes: bcrypt reads no more of a passphrase
LOWEST_COST, HIGHEST_COST = 4, 31  # what bcrypt itself takes
USUAL_COST = 12  # a quarter of a second a check
DEAREST = 20  # the highest cost that our files may hold: a minute a check; 31 takes a day
ALLOWED = "bcrypt ($2a$, $2b$, $2y$) and APR1 ($apr1$) hashes are taken"

# The last characters of salt and digest carry fewer bits than six. A hash with one of the unused
# bits set matches nothing: bcrypt refuses the salt and never makes the digest.
_BCRYPT = re.compile(
    r"\$2[aby]\$(?P<cost>0[4-9]|[12]\d|3[01])\$"
    r"[./A-Za-z0-9]{21}[.Oeu][./A-Za-z0-9]{30}[.CGKOSWaeimquy26]",
    re.ASCII,
)
_APR1 = re.compile(r"\$apr1\$[./0-9A-Za-z]{1,8}\$[./0-9A-Za-z]{21}[./01]", re.ASCII)
_DECOY_TAIL = "abcdefghijklmnopqrstuuLZYjhNQAOdpbzt4WxWlUHjv1wsyH5DG"
_DECOY_APR1 = "$apr1$abcdefgh$M2T3erDstkD7SsE2QQnfH0"


@attrs.frozen
class Hash:
    """A well-formed hash; `cost` is bcrypt's exponent of two, None for APR1."""

    text: str = attrs.field(repr=False)
    kind: str
    cost: int | None = None

    @property
    def rounds(self) -> int:
        """Count the key expansions of one check: 2 to the cost, 0 for APR1."""
        return 0 if self.cost is None else 1 << self.cost


def recognise(text: str) -> Hash | None:
    """Recognise a well-formed `$2a$`, `$2b$`, `$2y$` (cost 4 to 31) or `$apr1$` hash, else None.

    `$2x$`, which marks hashes of a broken implementation (CVE-2011-2483), is not taken.
    """
    found = _BCRYPT.fullmatch(text)
    if found:
        return Hash(text, BCRYPT, int(found["cost"]))
    return Hash(text, APR1) if _APR1.fullmatch(text) else None


def verify(passphrase: bytes, known: Hash) -> bool:
    """Tell whether the passphrase is the hash's.

    Never raises, whatever the bytes. A passphrase with a NUL byte is never right, nor one over 72
    bytes against bcrypt, which older versions of the package would cut.
    """
    if b"\0" in passphrase:
        return False
    return _CHECKS[known.kind](passphrase, known.text)


def _check_bcrypt(passphrase: bytes, text: str) -> bool:
    return len(passphrase) <= LONGEST and bcrypt.checkpw(passphrase, text.encode("ascii"))


def _check_apr1(passphrase: bytes, text: str) -> bool:
    # passlib raises past 4096 bytes; a tenth of a millisecond a kilobyte is no reason to allow it
    return len(passphrase) <= 4096 and bool(apr_md5_crypt.verify(passphrase, text))


_CHECKS = {BCRYPT: _check_bcrypt, APR1: _check_apr1}


def decoy(cost: int | None) -> Hash:
    """Give a well-formed hash that costs as much to check as a real one; None gives APR1.

    Its answer means nothing.
    """
    if cost is None:
        return Hash(_DECOY_APR1, APR1)
    return Hash(f"$2b${cost:02d}${_DECOY_TAIL}", BCRYPT, cost)


def make(passphrase: str, cost: int) -> Hash:
    """Hash a passphrase with bcrypt (`$2b$`) under a fresh salt.

    Raises CallerError over 72 bytes of UTF-8, on a NUL, and on a cost outside 4 to 31.
    """
    octets = passphrase.encode("utf-8")
    if len(octets) > LONGEST:
        raise CallerError("the passphrase is over 72 bytes", allowed="72 bytes at most")
    if b"\0" in octets:
        raise CallerError("the passphrase holds a NUL character")
    if not LOWEST_COST <= cost <= HIGHEST_COST:
        raise CallerError(f"bcrypt cost {cost}", allowed="4 to 31")
    text = bcrypt.hashpw(octets, bcrypt.gensalt(cost)).decode("ascii")
    return Hash(text, BCRYPT, cost)
