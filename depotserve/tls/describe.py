"""What a certificate says, for people and for the depot's own checks."""

from __future__ import annotations

from datetime import timedelta
from typing import TYPE_CHECKING

import attrs
from cryptography.hazmat.primitives import hashes

from depotserve.tls.examine import addresses_of, names_of
from depotserve.tls.keys import describe_key
from depotserve.tls.pem import read_chain

if TYPE_CHECKING:
    from datetime import datetime

    from cryptography import x509

__all__ = ["Description", "describe", "describe_certificate"]


_DAY = timedelta(days=1)


@attrs.frozen
class Description:
    """The facts of one certificate that decide whether a client takes it."""

    names: tuple[str, ...]  # of subjectAltName: DNS names, then IP addresses
    not_before: datetime  # UTC; the first second that counts
    not_after: datetime  # UTC; the last second that counts
    fingerprint: str  # SHA-256 of the DER form, pairs of upper-case hex digits between colons
    subject: str  # RFC 4514 text
    issuer: str  # RFC 4514 text
    key: str  # its kind, and its size or curve

    def days_left(self, now: datetime) -> int:
        """Count the whole days from `now` (UTC) to the end; below zero once it is over."""
        return (self.not_after - now) // _DAY


def describe(pem: bytes, *, name: str = "server.pem") -> Description:
    """Describe the first certificate of a PEM text; `name` says in messages which file is meant.

    Raises CallerError if the text holds no readable certificate.
    """
    return describe_certificate(read_chain(pem, name=name).leaf)


def describe_certificate(certificate: x509.Certificate) -> Description:
    """Describe a certificate."""
    return Description(
        names=_names(certificate),
        not_before=certificate.not_valid_before_utc,
        not_after=certificate.not_valid_after_utc,
        fingerprint=certificate.fingerprint(hashes.SHA256()).hex(":").upper(),
        subject=certificate.subject.rfc4514_string(),
        issuer=certificate.issuer.rfc4514_string(),
        key=describe_key(certificate),
    )


def _names(certificate: x509.Certificate) -> tuple[str, ...]:
    """Give DNS names and IP addresses; the common name does not count (RFC 9525 §2)."""
    return (*names_of(certificate), *map(str, addresses_of(certificate)))
