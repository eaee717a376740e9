"""One DER value of any kind that an authority may hand back: certificates and keys out of it."""

from __future__ import annotations

import warnings
from typing import TYPE_CHECKING, Callable

import attrs
from cryptography import x509
from cryptography.exceptions import UnsupportedAlgorithm
from cryptography.hazmat.primitives.serialization import load_der_private_key, pkcs7, pkcs12

from depotserve.errors import CallerError

if TYPE_CHECKING:
    from collections.abc import Iterable

    from cryptography.hazmat.primitives.asymmetric.types import PrivateKeyTypes

__all__ = ["FAULTS", "Source", "TakenIn", "length_of", "read_der"]

# What the library says of damaged input; InvalidVersion is none of the others.
FAULTS = (ValueError, TypeError, UnsupportedAlgorithm, x509.InvalidVersion)


@attrs.frozen
class TakenIn:
    """What files hold, in their order; each once."""

    certificates: tuple[x509.Certificate, ...] = ()
    keys: tuple[PrivateKeyTypes, ...] = attrs.field(default=(), repr=False)
    requests: int = 0  # of RFC 2986: what was sent to an authority, not what came back

    def __add__(self, other: TakenIn) -> TakenIn:
        """Join what two files hold."""
        certificates = dict.fromkeys([*self.certificates, *other.certificates])
        keys = (*self.keys, *other.keys)
        return TakenIn(tuple(certificates), keys, self.requests + other.requests)


@attrs.frozen
class Source:
    """What a reader of one block needs: the file's name for messages, and its passphrase."""

    name: str
    passphrase: str | None = attrs.field(repr=False)

    @property
    def word(self) -> bytes | None:
        """Give the passphrase as the formats want it."""
        return None if self.passphrase is None else self.passphrase.encode()

    def damaged(self, thing: str) -> CallerError:
        """Give the refusal of a block that cannot be read; no message repeats a byte of it."""
        return CallerError(f"{thing} in it is damaged or of an unknown kind", where=self.name)

    def locked(self, thing: str) -> CallerError:
        """Give the refusal of an encrypted block that was not opened."""
        if self.passphrase is None:
            return CallerError(
                f"{thing} in it is encrypted", where=self.name, allowed="give --passphrase-file"
            )
        return CallerError(
            f"the passphrase does not open {thing} in it, or it is damaged", where=self.name
        )


def length_of(content: bytes) -> int | None:
    """Give the length of the SEQUENCE at the start (X.690 §8.1.3); None if it is not all there.

    A SEQUENCE of indefinite length, which some makers of PKCS #7 write, is taken for all.
    """
    header = _header(content)
    if content[:1] != b"\x30" or not header:
        return None
    if content[1] == 0x80:
        return len(content) if content.endswith(b"\x00\x00") else None
    size = content[1] if header == 2 else int.from_bytes(content[2:header], "big")
    return header + size if header + size <= len(content) else None


def _header(content: bytes) -> int:
    """Give the octets before a SEQUENCE's content; 0 where there is no SEQUENCE."""
    if len(content) < 2:
        return 0
    return 2 + (content[1] & 0x7F if content[1] & 0x80 else 0)


def read_der(content: bytes, source: Source) -> TakenIn:
    """Give the certificates and keys of one DER value, which is told by how its content begins.

    It may be a certificate, a request, PKCS #7 (RFC 2315), PKCS #12 (RFC 7292), or a key as
    PKCS #8 (RFC 5958), RSA's (RFC 8017) or an elliptic curve's (RFC 5915). Raises CallerError if
    it is damaged, of another kind, or encrypted under another passphrase.
    """
    length = length_of(content)
    if length is None:
        raise CallerError("is cut short or damaged", where=source.name)
    inner = content[_header(content) :]
    for start, read in _READERS:
        if inner.startswith(start):
            return read(content[:length], source)
    raise source.damaged("a block")


def _of_pkcs7(content: bytes, source: Source) -> TakenIn:
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # the library's own, about BER
            return _certificates(pkcs7.load_der_pkcs7_certificates(content))
    except FAULTS as error:
        if "no certificate" in str(error):
            return TakenIn()
        raise source.damaged("the PKCS #7") from None


def _of_pkcs12(content: bytes, source: Source) -> TakenIn:
    found = _try_open(content, source.word) or _try_open(content, None)
    if found is None:
        raise source.locked("the PKCS #12")
    bags = [*([found.cert] if found.cert else []), *found.additional_certs]
    try:
        inside = _certificates(bag.certificate for bag in bags)
    except FAULTS:
        raise source.damaged("a certificate") from None
    return inside + TakenIn(keys=(found.key,) if found.key else ())


def _try_open(content: bytes, word: bytes | None) -> pkcs12.PKCS12KeyAndCertificates | None:
    """Open a PKCS #12; one whose passphrase is empty opens with None."""
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            return pkcs12.load_pkcs12(content, word)
    except FAULTS:
        return None


def _of_plain_key(content: bytes, source: Source) -> TakenIn:
    try:
        return TakenIn(keys=(load_der_private_key(content, None),))
    except FAULTS:
        raise source.damaged("the key") from None


def _of_encrypted_key(content: bytes, source: Source) -> TakenIn:
    try:
        return TakenIn(keys=(load_der_private_key(content, source.word),))
    except FAULTS:
        raise source.locked("the key") from None


def _of_request_or_certificate(content: bytes, source: Source) -> TakenIn:
    """Read a request or a certificate of version 1, which begin alike."""
    try:
        x509.load_der_x509_csr(content)
    except FAULTS:
        return _of_certificate(content, source)
    return TakenIn(requests=1)


def _of_certificate(content: bytes, source: Source) -> TakenIn:
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # about serial numbers that RFC 5280 forbids
            return _certificates([x509.load_der_x509_certificate(content)])
    except FAULTS:
        raise source.damaged("a certificate") from None


def _certificates(found: Iterable[x509.Certificate]) -> TakenIn:
    """Give certificates whose names can be read, which the library does when they are asked for."""
    whole = tuple(found)
    for one in whole:
        one.subject.rfc4514_string()
        one.issuer.rfc4514_string()
    return TakenIn(whole)


def _of_sequence(content: bytes, source: Source) -> TakenIn:
    """Read what begins with a SEQUENCE of its own, by how that begins."""
    inner = content[_header(content) :]
    first = inner[_header(inner) :][:1]
    return _SEQUENCES.get(first, _of_certificate)(content, source)


_Reader = Callable[[bytes, Source], TakenIn]
# How the content of the outer SEQUENCE begins (X.690) -> what it is.
_READERS: tuple[tuple[bytes, _Reader], ...] = (
    (bytes.fromhex("06092a864886f70d0107"), _of_pkcs7),  # ContentInfo: OID 1.2.840.113549.1.7
    (bytes.fromhex("020103"), _of_pkcs12),  # PFX: version 3
    (bytes.fromhex("020100"), _of_plain_key),  # PKCS #8 and RSA: version 0
    (bytes.fromhex("020101"), _of_plain_key),  # an elliptic curve's, RFC 5915: version 1
    (bytes.fromhex("30"), _of_sequence),
)
# How the inner SEQUENCE begins -> what the whole is.
_SEQUENCES: dict[bytes, _Reader] = {
    b"\x06": _of_encrypted_key,  # PKCS #8 encrypted: the algorithm's OID
    b"\x02": _of_request_or_certificate,  # no [0] that says a certificate's version
}
