"""A pinned key, of either kind."""

from __future__ import annotations

import attrs

__all__ = ["Found", "Pinned"]


@attrs.frozen
class Pinned:
    """What a report says of a pinned key."""

    vendor: str
    kind: str  # "OpenPGP" or "X.509"
    fingerprint: str  # hexadecimal, upper case; SHA-256 for X.509
    expires: int | None  # seconds since 1970; None for never
    revoked: bool  # as the key itself says
    file: str  # the name of the file that holds it


@attrs.frozen
class Found:
    """A pinned key and what the program that checks is given of it."""

    pinned: Pinned
    content: bytes = attrs.field(repr=False)  # packets, or one certificate in DER
    key_ids: tuple[bytes, ...] = ()  # OpenPGP: of the key and its subkeys, eight octets each
