"""Digest algorithms: their names in lists, their sizes, and which of them are weak."""

from __future__ import annotations

import functools
import hashlib
import re
from typing import Any

import attrs

from depotserve.tree.hasher import new

__all__ = ["Algorithm", "by_size", "is_weak", "name_at", "named", "parse_hex", "rank"]


@attrs.frozen
class Algorithm:
    """A digest algorithm; `name` is what this package calls it everywhere."""

    name: str
    size: int  # octets of a digest
    weak: bool = False  # two files with one digest can be made (RFC 6151, RFC 6194)

    def new(self) -> Any:  # noqa: ANN401  # hashlib's classes have no public name
        """Begin a digest, as of `hashlib`."""
        return new(self.name, self.size)


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
_RANK = {one.name: 2 * place for place, one in enumerate(_ALL)}
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


def is_weak(name: str) -> bool:
    """Tell whether the algorithm called `name` is weak; one that is not known is."""
    found = named(name)
    return found is None or found.weak


def rank(name: str) -> int:
    """Give the place of the algorithm called `name` among all, weakest first."""
    if name in _RANK:
        return _RANK[name]
    found = named(name)
    # A shortened BLAKE2b stands below what is as long in full.
    return next((_RANK[one.name] - 1 for one in _ALL if found and one.size >= found.size), -1)


def name_at(place: int) -> str:
    """Name the algorithm at a place that `rank` gave."""
    return next((name for name, found in _RANK.items() if found >= place), "")
