"""Packets of OpenPGP (RFC 9580 §4), and the few facts that are read from keys and signatures."""

from __future__ import annotations

import hashlib
from typing import TYPE_CHECKING, NamedTuple

import attrs

from depotserve.tree.authenticity.armour import BrokenError

if TYPE_CHECKING:
    from collections.abc import Iterator

__all__ = [
    "PUBLIC_KEY",
    "PUBLIC_SUBKEY",
    "SECRET",
    "SIGNATURE",
    "Packet",
    "SignatureFacts",
    "created",
    "fingerprint",
    "packets",
    "signature_facts",
    "tag_of",
]

SIGNATURE, PUBLIC_KEY, PUBLIC_SUBKEY = 2, 6, 14
SECRET = (5, 7)  # a secret key, a secret subkey


class Packet(NamedTuple):
    """One packet: its type, its body, and all of its bytes."""

    tag: int
    body: bytes
    raw: bytes


@attrs.frozen
class SignatureFacts:
    """What a signature says of itself; nothing of it is proven."""

    version: int
    type: int  # RFC 9580 §5.2.1: 0x00 of bytes, 0x01 of text, and of keys
    hash: int  # RFC 9580 §9.5
    created: int = 0
    key_lifetime: int = 0  # seconds; 0 for ever
    key_ids: tuple[bytes, ...] = ()  # of who made it, eight octets each


def packets(data: bytes) -> Iterator[Packet]:
    """Yield the packets that `data` is made of to its end. Raises BrokenError."""
    at = 0
    while at < len(data):
        first = data[at]
        if not first & 0x80:
            raise BrokenError("holds bytes that are no OpenPGP packet")
        start, size = _new_length(data, at + 1) if first & 0x40 else _old_length(data, at + 1)
        if start + size > len(data):
            raise BrokenError("is cut short")
        yield Packet(tag_of(first), data[start : start + size], data[at : start + size])
        at = start + size


def tag_of(first: int) -> int:
    """Give the type of a packet by its first octet (RFC 9580 §4.2)."""
    return first & 0x3F if first & 0x40 else first >> 2 & 0x0F


def _new_length(data: bytes, at: int) -> tuple[int, int]:
    """Read a length of RFC 9580 §4.2.1: where the body starts, and its size."""
    first = _number(data, at, 1)
    if first < 192:
        return at + 1, first
    if first < 224:
        return at + 2, (first - 192 << 8) + _number(data, at + 1, 1) + 192
    if first < 255:
        raise BrokenError("holds a packet in parts, which no key or signature may be")
    return at + 5, _number(data, at + 1, 4)


def _old_length(data: bytes, at: int) -> tuple[int, int]:
    """Read a length of RFC 9580 §4.2.2."""
    octets = 1 << (data[at - 1] & 3)
    if octets > 4:
        raise BrokenError("holds a packet without a length, which no key or signature may be")
    return at + octets, _number(data, at, octets)


def _number(data: bytes, at: int, octets: int) -> int:
    if at + octets > len(data):
        raise BrokenError("is cut short")
    return int.from_bytes(data[at : at + octets], "big")


def created(key: bytes) -> int:
    """Give the time at which a key was made, from its packet's body. Raises BrokenError."""
    return _number(key, 1, 4)


def fingerprint(key: bytes) -> bytes:
    """Compute the fingerprint of a version 4 key (RFC 9580 §5.5.4.2). Raises BrokenError."""
    if key[:1] != b"\x04":
        version = key[0] if key else 0
        raise BrokenError(f"holds a key of version {version}, which gpgv does not know")
    if len(key) > 65535:
        raise BrokenError("holds a key that is too long for one")
    named = b"\x99" + len(key).to_bytes(2, "big") + key
    return hashlib.new("sha1", named, usedforsecurity=False).digest()


def signature_facts(body: bytes) -> SignatureFacts:
    """Read the body of a signature packet of version 3 or 4. Raises BrokenError."""
    version = _number(body, 0, 1)
    if version == 3:  # RFC 9580 §5.2.2; older rpm packages have it
        _number(body, 15, 4)
        return SignatureFacts(3, body[2], body[16], _number(body, 3, 4), key_ids=(body[7:15],))
    if version != 4:
        raise BrokenError(f"is a signature of version {version}, which gpgv does not know")
    hashed_size = _number(body, 4, 2)
    middle = 6 + hashed_size
    unhashed_size = _number(body, middle, 2)
    _number(body, middle + 2 + unhashed_size, 2)
    hashed = dict(_subpackets(body[6:middle]))
    ids = _key_ids([hashed, dict(_subpackets(body[middle + 2 : middle + 2 + unhashed_size]))])
    made, lifetime = (int.from_bytes(hashed.get(kind, b"")[:4], "big") for kind in (2, 9))
    return SignatureFacts(4, body[1], body[3], made, lifetime, ids)


def _subpackets(area: bytes) -> Iterator[tuple[int, bytes]]:
    """Read subpackets (RFC 9580 §5.2.3.7): type and content."""
    at = 0
    while at < len(area):
        first = area[at]
        if first < 192:
            start, size = at + 1, first
        elif first < 255:
            start, size = at + 2, (first - 192 << 8) + _number(area, at + 1, 1) + 192
        else:
            start, size = at + 5, _number(area, at + 1, 4)
        if not size or start + size > len(area):
            raise BrokenError("is a damaged signature")
        yield area[start] & 0x7F, area[start + 1 : start + size]
        at = start + size


def _key_ids(areas: list[dict[int, bytes]]) -> tuple[bytes, ...]:
    found = [area[16] for area in areas if 16 in area]  # the issuer's key ID
    found += [area[33][1:21][-8:] for area in areas if 33 in area]  # its fingerprint, version first
    return tuple(dict.fromkeys(one for one in found if len(one) == 8))
