"""Keys: the two kinds that servers have, and their text."""

from __future__ import annotations

from enum import Enum
from typing import TYPE_CHECKING, Union

from cryptography.hazmat.primitives.asymmetric import ec, rsa
from cryptography.hazmat.primitives.serialization import (
    BestAvailableEncryption,
    Encoding,
    NoEncryption,
    PrivateFormat,
    PublicFormat,
)

from depotserve.errors import CallerError

if TYPE_CHECKING:
    from cryptography import x509
    from cryptography.hazmat.primitives.asymmetric.types import CertificatePublicKeyTypes

__all__ = [
    "KeyKind",
    "PublicKey",
    "SigningKey",
    "describe_key",
    "key_to_pem",
    "make_key",
    "public_bytes",
]

_LONGEST_PASSPHRASE = 1023  # bytes; PEM_BUFSIZE of OpenSSL, with its final zero
_RSA_BITS = 3072  # as strong as P-256 (NIST SP 800-57 part 1, table 2)
_RSA_EXPONENT = 65537  # FIPS 186-5 §A.1.1

SigningKey = Union[ec.EllipticCurvePrivateKey, rsa.RSAPrivateKey]
PublicKey = Union[ec.EllipticCurvePublicKey, rsa.RSAPublicKey]


class KeyKind(Enum):
    """The kind of a key that is made here."""

    ECDSA = "ecdsa"
    RSA = "rsa"

    @classmethod
    def of(cls, key: object) -> KeyKind:
        """Give the kind to make another key by, where `key` is the one that stands."""
        return cls.RSA if isinstance(key, (rsa.RSAPrivateKey, rsa.RSAPublicKey)) else cls.ECDSA


def make_key(kind: KeyKind) -> SigningKey:
    """Make a key: ECDSA on P-256, or RSA of 3072 bits."""
    if kind is KeyKind.RSA:
        return rsa.generate_private_key(_RSA_EXPONENT, _RSA_BITS)
    return ec.generate_private_key(ec.SECP256R1())


def key_to_pem(key: SigningKey, passphrase: str | None = None) -> bytes:
    """Write a key as PEM text of PKCS #8 (RFC 5958), encrypted if there is a passphrase.

    Raises CallerError for a passphrase that is empty, or longer than OpenSSL reads.
    """
    if passphrase is not None and not 0 < len(passphrase.encode()) <= _LONGEST_PASSPHRASE:
        raise CallerError(
            "the passphrase for the key is empty or too long",
            allowed=f"1 to {_LONGEST_PASSPHRASE} bytes",
        )
    cover = NoEncryption() if passphrase is None else BestAvailableEncryption(passphrase.encode())
    return key.private_bytes(Encoding.PEM, PrivateFormat.PKCS8, cover)


def public_bytes(key: CertificatePublicKeyTypes) -> bytes:
    """Give a public key's standard form (RFC 5280 §4.1.2.7), by which two can be compared."""
    return key.public_bytes(Encoding.DER, PublicFormat.SubjectPublicKeyInfo)


def describe_key(certificate: x509.Certificate) -> str:
    """Say what kind of key a certificate is for, with its size or curve."""
    try:
        key = certificate.public_key()
    except (ValueError, TypeError):
        return "of an unknown kind"
    if isinstance(key, rsa.RSAPublicKey):
        return f"RSA, {key.key_size} bits"
    if isinstance(key, ec.EllipticCurvePublicKey):
        return f"ECDSA, {key.curve.name}"
    return type(key).__name__.replace("PublicKey", "").lstrip("_")
