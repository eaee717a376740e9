"""OpenPGP keys out of a file of pinned keys (RFC 9580 §10.1), armoured or binary."""

from __future__ import annotations

from typing import TYPE_CHECKING

from depotserve.tree.authenticity.armour import BrokenError, blocks
from depotserve.tree.authenticity.packets import (
    PUBLIC_KEY,
    PUBLIC_SUBKEY,
    SECRET,
    SIGNATURE,
    Packet,
    SignatureFacts,
    created,
    fingerprint,
    packets,
    signature_facts,
)
from depotserve.tree.authenticity.pinned import Found, Pinned

if TYPE_CHECKING:
    from collections.abc import Iterator

__all__ = ["read"]

# What a transferable public key is made of: keys, signatures, a user's name or picture.
_OF_A_KEY = (PUBLIC_KEY, PUBLIC_SUBKEY, SIGNATURE, 13, 17)
_PASSED_OVER = (10, 12, 21)  # marker; what somebody's own program thought of the key; padding
_CERTIFIES = (0x10, 0x11, 0x12, 0x13, 0x1F)  # RFC 9580 §5.2.1: what may say when a key expires
_REVOKES = 0x20
# How a signature that revokes a key begins, of version 4 and of version 3 (§5.2.3, §5.2.2).
_REVOCATION = (b"\x04\x20", b"\x03\x05\x20")


def read(content: bytes, vendor: str, file: str) -> list[Found]:
    """Read every key of a file. Raises BrokenError, also for a private key."""
    keys: list[list[Packet]] = []
    for packet in packets(_binary(content)):
        if packet.tag in SECRET:
            raise BrokenError("holds a private key; pin the public one")
        if packet.tag == PUBLIC_KEY:
            keys.append([])
        elif packet.tag in _PASSED_OVER:
            continue
        if packet.tag == SIGNATURE and not keys:
            raise BrokenError("holds a signature without its key: add it to the end of that file")
        if not keys or packet.tag not in _OF_A_KEY:
            raise BrokenError("holds something other than public keys")
        keys[-1].append(packet)
    if not keys:
        raise BrokenError("holds no key")
    revocations = _revocations(keys)
    return [_found(_in_order(parts, revocations), vendor, file) for parts in keys]


def _binary(content: bytes) -> bytes:
    if content[0] & 0x80:
        return content
    found = list(blocks(content))
    if any(b"PRIVATE" in one.label or b"SECRET" in one.label for one in found):
        raise BrokenError("holds a private key; pin the public one")
    if not found or any(one.label != b"PUBLIC KEY BLOCK" for one in found):
        raise BrokenError("holds no OpenPGP key")
    return b"".join(one.data for one in found)


def _revocations(keys: list[list[Packet]]) -> dict[bytes, list[Packet]]:
    """Find what revokes each key, by the key's ID, wherever in the file it stands."""
    found: dict[bytes, list[Packet]] = {}
    for one in (one for parts in keys for one in parts if _is_revocation(one)):
        for key_id in signature_facts(one.body).key_ids:
            found.setdefault(key_id, []).append(one)
    return found


def _in_order(parts: list[Packet], revocations: dict[bytes, list[Packet]]) -> list[Packet]:
    """Put what revokes a key right behind it, where alone gpgv looks for it (RFC 9580 §10.1).

    A revocation that was issued by itself is often just added to the end of a file of keys.
    """
    named = revocations.get(fingerprint(parts[0].body)[-8:], [])
    first = dict.fromkeys([*filter(_is_revocation, parts), *named])
    return [parts[0], *first, *(one for one in parts[1:] if not _is_revocation(one))]


def _is_revocation(packet: Packet) -> bool:
    return packet.tag == SIGNATURE and packet.body.startswith(_REVOCATION)


def _found(parts: list[Packet], vendor: str, file: str) -> Found:
    name = fingerprint(parts[0].body)
    own = [facts for facts in _direct(parts) if name[-8:] in facts.key_ids]
    subkeys = [fingerprint(one.body)[-8:] for one in parts if one.tag == PUBLIC_SUBKEY]
    pinned = Pinned(
        vendor,
        "OpenPGP",
        name.hex().upper(),
        _expiry(created(parts[0].body), own),
        any(facts.type == _REVOKES for facts in own),
        file,
    )
    return Found(pinned, b"".join(one.raw for one in parts), (name[-8:], *subkeys))


def _direct(parts: list[Packet]) -> Iterator[SignatureFacts]:
    """Read the signatures that stand before the first subkey; those of unknown kinds are left."""
    for packet in parts:
        if packet.tag == PUBLIC_SUBKEY:
            return
        if packet.tag == SIGNATURE and packet.body[:1] in (b"\x03", b"\x04"):
            yield signature_facts(packet.body)


def _expiry(made: int, own: list[SignatureFacts]) -> int | None:
    """Tell when a key expires, as its newest word on itself says; gpgv goes by its own reading."""
    words = [facts for facts in own if facts.type in _CERTIFIES]
    newest = max(words, key=lambda facts: facts.created, default=None)
    return made + newest.key_lifetime if newest and newest.key_lifetime else None
