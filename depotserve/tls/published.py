"""What a depot tells of the authority that vouches for it, for clients to take."""

from __future__ import annotations

from typing import TYPE_CHECKING

import attrs
from cryptography.hazmat.primitives import hashes
from cryptography.hazmat.primitives.serialization import Encoding

from depotserve.tls.custody import anchors

if TYPE_CHECKING:
    from datetime import datetime

    from cryptography import x509

    from depotserve.home import Home

__all__ = ["Anchor", "read_anchors"]


@attrs.frozen
class Anchor:
    """A root certificate and what a person compares; nothing of it is secret."""

    subject: str  # RFC 4514 text
    fingerprint: str  # SHA-256 of the DER form, pairs of upper-case hex digits between colons
    not_before: datetime  # UTC
    not_after: datetime  # UTC
    pem: bytes
    der: bytes


def read_anchors(home: Home) -> tuple[Anchor, ...]:
    """Read the roots that clients of a home need, the one in use first.

    Raises CallerError or SurroundingsError if none can be found.
    """
    return tuple(map(_anchor, anchors(home)))


def _anchor(root: x509.Certificate) -> Anchor:
    return Anchor(
        subject=root.subject.rfc4514_string(),
        fingerprint=root.fingerprint(hashes.SHA256()).hex(":").upper(),
        not_before=root.not_valid_before_utc,
        not_after=root.not_valid_after_utc,
        pem=root.public_bytes(Encoding.PEM),
        der=root.public_bytes(Encoding.DER),
    )
