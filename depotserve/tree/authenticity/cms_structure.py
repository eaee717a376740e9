"""What a CMS signature is made of (RFC 5652 §5), read from DER that OpenSSL has written anew."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import attrs

from depotserve.tree.authenticity.armour import BrokenError

if TYPE_CHECKING:
    from collections.abc import Iterator

__all__ = ["SignedData", "Signer", "signed_data"]

_INTEGER, _OCTETS, _OID, _SEQUENCE, _SET = 0x02, 0x04, 0x06, 0x30, 0x31
_CONTEXT_0, _CONTEXT_0_PLAIN, _CONTEXT_1 = 0xA0, 0x80, 0xA1
_SIGNED_DATA = bytes.fromhex("2a864886f70d010702")  # 1.2.840.113549.1.7.2
_MOST_SIGNERS = 16


class _Value(NamedTuple):
    tag: int
    body: bytes
    raw: bytes


@attrs.frozen
class Signer:
    """A SignerInfo: how it names its certificate, and its digest algorithm's identifier."""

    issuer: bytes  # DER of the issuer's name; b"" where the key identifier names it
    serial: int
    key_identifier: bytes
    digest: bytes  # the object identifier's content octets


@attrs.frozen
class SignedData:
    """A SignedData without content of its own."""

    certificates: tuple[bytes, ...]  # DER; they came with the signature and prove nothing
    signers: tuple[Signer, ...]


def signed_data(content: bytes) -> SignedData:
    """Read a ContentInfo that holds a detached signature. Raises BrokenError."""
    (outer,) = _exactly(_values(content), _SEQUENCE)
    kind, wrapped = _exactly(_values(outer), _OID, _CONTEXT_0)
    if kind != _SIGNED_DATA:
        raise BrokenError("is a CMS message, but no signature")
    (inner,) = _exactly(_values(wrapped), _SEQUENCE)
    values = list(_values(inner))
    _exactly(values[:3], _INTEGER, _SET, _SEQUENCE)
    if len(list(_values(values[2].body))) != 1:
        raise BrokenError("holds what it signs within itself, so it says nothing of the file")
    certificates = [
        one.raw
        for part in values[3:]
        if part.tag == _CONTEXT_0
        for one in _values(part.body)
        if one.tag == _SEQUENCE
    ]
    if values[-1].tag != _SET:
        raise BrokenError("is a damaged CMS signature")
    signers = tuple(_signer(one) for one in _values(values[-1].body))
    if not 0 < len(signers) <= _MOST_SIGNERS:
        raise BrokenError(f"has {len(signers)} signers")
    return SignedData(tuple(certificates), signers)


def _signer(value: _Value) -> Signer:
    parts = list(_values(value.body))[:3]
    by_identifier = [one.tag for one in parts[1:2]] == [_CONTEXT_0_PLAIN]
    kind = _CONTEXT_0_PLAIN if by_identifier else _SEQUENCE
    _, who, digest = _exactly(parts, _INTEGER, kind, _SEQUENCE)
    (algorithm,) = _exactly(list(_values(digest))[:1], _OID)
    if by_identifier:
        return Signer(b"", 0, who, algorithm)
    values = list(_values(who))
    _, serial = _exactly(values, _SEQUENCE, _INTEGER)
    return Signer(values[0].raw, int.from_bytes(serial, "big", signed=True), b"", algorithm)


def _exactly(values: Iterator[_Value] | list[_Value], *tags: int) -> list[bytes]:
    found = list(values)
    if tuple(one.tag for one in found) != tags:
        raise BrokenError("is a damaged CMS signature")
    return [one.body for one in found]


def _values(data: bytes) -> Iterator[_Value]:
    """Read DER values one after the other (X.690 §8.1, §10.1); tags of one octet alone."""
    at = 0
    while at < len(data):
        first = data[at + 1] if at + 1 < len(data) else 0x80
        octets = first & 0x7F if first & 0x80 else 0
        start = at + 2 + octets
        size = int.from_bytes(data[at + 2 : start], "big") if octets else first
        if first == 0x80 or octets > 4 or start + size > len(data):
            raise BrokenError("is a damaged CMS signature")
        yield _Value(data[at], data[start : start + size], data[at : start + size])
        at = start + size
