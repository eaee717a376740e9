"""What a certificate says, for people and for the depot's own checks."""

from __future__ import annotations

from typing import TYPE_CHECKING

import attrs
from cryptography import x509
from cryptography.hazmat.primitives import hashes

from depotserve.tls.pem import read_chain

if TYPE_CHECKING:
    from datetime import datetime

__all__ = ["Description", "describe"]


@attrs.frozen
class Description:
    """The facts of one certificate that decide whether a client takes it."""

    names: tuple[str, ...]  # of subjectAltName: DNS names, then IP addresses
    not_before: datetime  # UTC; the first second that counts
    not_after: datetime  # UTC; the last second that counts
    fingerprint: str  # SHA-256 of the DER form, pairs of upper-case hex digits between colons
    issuer: str  # RFC 4514 text


def describe(pem: bytes, *, name: str = "server.pem") -> Description:
    """Describe the first certificate of a PEM text; `name` says in messages which file is meant.

    Raises CallerError if the text holds no readable certificate.
    """
    leaf = read_chain(pem, name=name).leaf
    return Description(
        names=_names(leaf),
        not_before=leaf.not_valid_before_utc,
        not_after=leaf.not_valid_after_utc,
        fingerprint=leaf.fingerprint(hashes.SHA256()).hex(":").upper(),
        issuer=leaf.issuer.rfc4514_string(),
    )


def _names(certificate: x509.Certificate) -> tuple[str, ...]:
    """Give DNS names and IP addresses; the common name does not count (RFC 9525 §2)."""
    try:
        extension = certificate.extensions.get_extension_for_class(x509.SubjectAlternativeName)
    except (x509.ExtensionNotFound, ValueError):
        return ()
    names = extension.value.get_values_for_type(x509.DNSName)
    addresses = extension.value.get_values_for_type(x509.IPAddress)
    return (*names, *map(str, addresses))
