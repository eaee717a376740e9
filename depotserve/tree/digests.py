"""Digest algorithms: their names in lists, their sizes, and which of them are weak."""

from __future__ import annotations

import functools
import hashlib
import re
from typing import TYPE_CHECKING

import attrs

if TYPE_CHECKING:
    from collections.abc import Iterable
    from hashlib import _Hash

__all__ = ["Algorithm", "by_size", "named", "parse_hex", "strongest", "weakest"]


@attrs.frozen
class Algorithm:
    """A digest algorithm; `name` is what this package calls it everywhere."""

    name: str
    size: int  # octets of a digest
    weak: bool = False  # two files with one digest can be made (RFC 6151, RFC 6194)

    def new(self) -> _Hash:
        """Begin a digest."""
        if self.name.startswith("blake2b"):
            return hashlib.blake2b(digest_size=self.size)  # type: ignore[return-value]
        if self.weak:
            # A machine in FIPS mode gives MD5 only to those who say that it is no protection.
            return hashlib.new(self.name, usedforsecurity=False)
        return hashlib.new(self.name)


# Weakest first. SM3 (ISO/IEC 10118-3) depends on the OpenSSL that Python was built with.
_ALL = (
    Algorithm("md5", 16, weak=True),
    Algorithm("sha1", 20, weak=True),
    Algorithm("sha224", 28),
    Algorithm("sha3_224", 28),
    *([Algorithm("sm3", 32)] if "sm3" in hashlib.algorithms_available else []),
    Algorithm("sha256", 32),
    Algorithm("sha3_256", 32),
    Algorithm("blake2s", 32),
    Algorithm("sha384", 48),
    Algorithm("sha3_384", 48),
    Algorithm("sha512", 64),
    Algorithm("sha3_512", 64),
    Algorithm("blake2b", 64),
)
_BY_NAME = {one.name: one for one in _ALL}
_RANK = {one.name: rank for rank, one in enumerate(_ALL)}
# As lists write them, in lower case with `_` and `-` taken out of the way.
_ALIASES = {
    "sha": "sha1",  # rpm-md
    "md5sum": "md5",  # a Debian Release file
    **{f"sha{bits}sum": f"sha{bits}" for bits in (1, 224, 256, 384, 512)},
    "sha160": "sha1",
    **{f"sha2{bits}": f"sha{bits}" for bits in (224, 256, 384, 512)},  # SHA2-256, as OpenSSL
    **{f"sha3{bits}": f"sha3_{bits}" for bits in (224, 256, 384, 512)},
    "b2": "blake2b",
    "b2sum": "blake2b",
    "blake2b512": "blake2b",
    "blake2s256": "blake2s",
}
_BLAKE2B = re.compile("blake2b([1-9][0-9]{0,2})")
_BY_SIZE = {16: "md5", 20: "sha1", 28: "sha224", 32: "sha256", 48: "sha384", 64: "sha512"}


@functools.lru_cache(maxsize=256)
def named(text: str) -> Algorithm | None:
    """Find the algorithm that a list calls `text`, however it is spelled; None if unknown.

    `blake2b-N` is BLAKE2b (RFC 7693) of N bits, 8 to 512 in steps of 8.
    """
    if text in _BY_NAME:
        return _BY_NAME[text]
    plain = re.sub("[-_/ ]", "", text.lower())
    name = _ALIASES.get(plain, plain)
    if name in _BY_NAME:
        return _BY_NAME[name]
    found = _BLAKE2B.fullmatch(name)
    bits = int(found[1]) if found else 0
    return Algorithm(f"blake2b-{bits}", bits // 8) if 8 <= bits <= 512 and not bits % 8 else None


def by_size(octets: int) -> Algorithm | None:
    """Name the algorithm that a digest of that size is taken for where nothing names it."""
    name = _BY_SIZE.get(octets)
    return _BY_NAME[name] if name else None


def parse_hex(text: bytes | str, algorithm: Algorithm) -> bytes | None:
    """Read a digest in hexadecimal of either case; None if it is none of that algorithm."""
    if len(text) != 2 * algorithm.size:
        return None
    try:
        written = text.decode("ascii") if isinstance(text, bytes) else text
        value = bytes.fromhex(written)
    except ValueError:
        return None
    return value if len(value) == algorithm.size else None  # fromhex passes over blanks


def weakest(names: Iterable[str]) -> str:
    """Name the weakest of the algorithms called `names`."""
    return min(names, key=_rank)


def strongest(names: Iterable[str]) -> str:
    """Name the strongest of the algorithms called `names`."""
    return max(names, key=_rank)


def _rank(name: str) -> float:
    if name in _RANK:
        return _RANK[name]
    found = named(name)
    # A shortened BLAKE2b ranks by its size; it comes before what is as long in full.
    return next((_RANK[one.name] - 0.5 for one in _ALL if found and one.size >= found.size), -1)
