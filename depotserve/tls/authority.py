"""The depot's own certificate authority: an anchor that clients are given, for this depot only."""

from __future__ import annotations

from datetime import datetime, timedelta, timezone
from typing import TYPE_CHECKING

import attrs
from cryptography import x509
from cryptography.hazmat.primitives import hashes
from cryptography.hazmat.primitives.serialization import Encoding
from cryptography.x509.oid import NameOID

from depotserve.tls.keys import KeyKind, key_to_pem, make_key

if TYPE_CHECKING:
    from depotserve.tls.keys import PublicKey, SigningKey

__all__ = ["BACKDATED", "Pair", "create", "key_usage", "to_pair"]

# Appliances without a time source run behind; a fresh certificate must not be "not yet valid".
BACKDATED = timedelta(days=30)
_LIFE = timedelta(days=3652)  # ten years with their leap days
_LAST_SECOND = timedelta(seconds=1)  # RFC 5280 §4.1.2.5: notAfter itself still counts
_LONGEST_ATTRIBUTE = 64  # RFC 5280 appendix A: ub-common-name, ub-organization-name

_NO_USAGE = dict.fromkeys(
    (
        "digital_signature",
        "content_commitment",
        "key_encipherment",
        "data_encipherment",
        "key_agreement",
        "key_cert_sign",
        "crl_sign",
        "encipher_only",
        "decipher_only",
    ),
    False,
)


@attrs.frozen
class Pair:
    """A certificate and its private key, both PEM text."""

    certificate: bytes
    key: bytes = attrs.field(repr=False)


def create(
    host: str,
    *,
    kind: KeyKind = KeyKind.ECDSA,
    passphrase: str | None = None,
    now: datetime | None = None,
) -> Pair:
    """Create an authority that signs server certificates and nothing below them.

    `host` is the depot's main name, shown in the subject so that people tell authorities apart.
    Ten years, begun 30 days ago, path length 0 (RFC 5280 §4.2.1.9). With a passphrase the key is
    encrypted.
    """
    key = make_key(kind)
    begin = (now or datetime.now(timezone.utc)).replace(microsecond=0) - BACKDATED
    certificate = (
        _naming(key.public_key(), host)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(begin)
        .not_valid_after(begin + _LIFE - _LAST_SECOND)
        .add_extension(x509.BasicConstraints(ca=True, path_length=0), critical=True)
        .add_extension(key_usage("key_cert_sign", "crl_sign"), critical=True)
        .sign(key, hashes.SHA256())
    )
    return to_pair(certificate, key, passphrase=passphrase)


def to_pair(certificate: x509.Certificate, key: SigningKey, passphrase: str | None = None) -> Pair:
    """Give both as PEM text, the key as PKCS #8 (RFC 5958), encrypted with a passphrase."""
    return Pair(certificate=certificate.public_bytes(Encoding.PEM), key=key_to_pem(key, passphrase))


def key_usage(*uses: str) -> x509.KeyUsage:
    """Give the key usage extension with these uses and no others (RFC 5280 §4.2.1.3)."""
    return x509.KeyUsage(**{**_NO_USAGE, **dict.fromkeys(uses, True)})


def _naming(public: PublicKey, host: str) -> x509.CertificateBuilder:
    """Begin a certificate whose subject is its issuer, unlike any other authority's.

    Two authorities of one subject would shadow each other in a client's store.
    """
    identifier = x509.SubjectKeyIdentifier.from_public_key(public)
    subject = x509.Name(
        [
            x509.NameAttribute(NameOID.ORGANIZATION_NAME, host[:_LONGEST_ATTRIBUTE]),
            x509.NameAttribute(
                NameOID.COMMON_NAME, f"Depot authority {identifier.digest.hex()[:12]}"
            ),
        ]
    )
    builder = x509.CertificateBuilder().subject_name(subject).issuer_name(subject)
    return builder.add_extension(identifier, critical=False)
