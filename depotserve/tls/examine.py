"""What is wrong with a server's certificates, each flaw with its kind and its section."""

from __future__ import annotations

from enum import Enum
from ipaddress import IPv4Address, IPv6Address
from typing import TYPE_CHECKING, TypeVar

import attrs
from cryptography import x509
from cryptography.exceptions import UnsupportedAlgorithm
from cryptography.hazmat.primitives.asymmetric import dsa, ec, ed448, ed25519, rsa
from cryptography.x509.oid import ExtendedKeyUsageOID

from depotserve.tls.matching import matches

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence
    from datetime import datetime
    from typing import Callable

    from depotserve.tls.names import Host

_Extension = TypeVar("_Extension", bound=x509.ExtensionType)

__all__ = [
    "Flaw",
    "FlawKind",
    "addresses_of",
    "examine_issuers",
    "examine_leaf",
    "extension_of",
    "names_of",
]

_SMALLEST_RSA = 2048  # bits; what clients of this decade take (NIST SP 800-131A)
_CURVES = ("secp256r1", "secp384r1", "secp521r1")  # what TLS clients offer (RFC 8422 §5.1.1)
_MINUTE = "%Y-%m-%d %H:%M UTC"
_WEAK_HASHES = ("md2", "md4", "md5", "sha1")
_SERVER = (ExtendedKeyUsageOID.SERVER_AUTH, ExtendedKeyUsageOID.ANY_EXTENDED_KEY_USAGE)


class FlawKind(Enum):
    """Why a client refuses, from what concerns the certificate itself to what is around it."""

    NO_NAME = "no name"
    NAME = "name not covered"
    USAGE = "wrong usage"
    NOT_YET = "not yet valid"
    EXPIRED = "expired"
    WEAK_SIGNATURE = "weak signature"
    WEAK_KEY = "weak key"
    ISSUER = "no authority"


@attrs.frozen
class Flaw:
    """One thing for which a client refuses a certificate."""

    kind: FlawKind
    text: str


def examine_leaf(leaf: x509.Certificate, *, now: datetime, hosts: Iterable[Host]) -> list[Flaw]:
    """Give every reason why a client at the time `now` (UTC) refuses a server's certificate.

    `hosts` are the names and addresses that clients use, as `parse_host` gives them.
    """
    return [
        *_names(leaf, hosts),
        *_usage(leaf),
        *_time(leaf, "it", now),
        *_strength(leaf, "it"),
    ]


def examine_issuers(issuers: Sequence[x509.Certificate], *, now: datetime) -> list[Flaw]:
    """Give every reason why those above a leaf, lowest first, cannot vouch for it.

    A root's own signature does not count, since a client has the root by other means.
    """
    return [flaw for depth, one in enumerate(issuers) for flaw in _issuer(one, depth, now)]


def names_of(certificate: x509.Certificate) -> list[str]:
    """Give subjectAltName's DNS names, as they stand; none if it is missing or unreadable."""
    found = extension_of(certificate, x509.SubjectAlternativeName)
    return found.get_values_for_type(x509.DNSName) if found else []


def addresses_of(certificate: x509.Certificate) -> list[IPv4Address | IPv6Address]:
    """Give subjectAltName's IP addresses; none if it is missing or unreadable."""
    found = extension_of(certificate, x509.SubjectAlternativeName)
    # A network belongs into name constraints only (RFC 5280 §4.2.1.6).
    values = found.get_values_for_type(x509.IPAddress) if found else []
    return [value for value in values if isinstance(value, (IPv4Address, IPv6Address))]


def _names(leaf: x509.Certificate, hosts: Iterable[Host]) -> Iterator[Flaw]:
    names, addresses = names_of(leaf), addresses_of(leaf)
    if not names and not addresses:
        text = "it has no subjectAltName, and clients do not look at the common name (RFC 9525 §2)"
        yield Flaw(FlawKind.NO_NAME, text)
        return
    for host in hosts:
        if not matches(names, addresses, host):
            yield Flaw(FlawKind.NAME, f"it does not cover {host}{_hint(names, host)}")


def _hint(names: list[str], host: Host) -> str:
    if isinstance(host, str) or str(host) not in names:
        return ""
    return ", which stands in it as a DNS name and not as an IP address (RFC 5280 §4.2.1.6)"


def _usage(leaf: x509.Certificate) -> Iterator[Flaw]:
    """Check RFC 5280 §4.2.1.3 and §4.2.1.12; an extension that is missing restricts nothing."""
    purposes = extension_of(leaf, x509.ExtendedKeyUsage)
    if purposes is not None and not any(purpose in purposes for purpose in _SERVER):
        text = "its extended key usage does not allow a server (RFC 5280 §4.2.1.12)"
        yield Flaw(FlawKind.USAGE, text)
    usage = extension_of(leaf, x509.KeyUsage)
    if usage is not None and not usage.digital_signature:
        text = "its key usage does not allow signatures, which TLS makes (RFC 5280 §4.2.1.3)"
        yield Flaw(FlawKind.USAGE, text)
    basic = extension_of(leaf, x509.BasicConstraints)
    if basic is not None and basic.ca:
        yield Flaw(FlawKind.USAGE, "it is an authority's certificate, not a server's")


def _time(certificate: x509.Certificate, which: str, now: datetime) -> Iterator[Flaw]:
    begin, end = certificate.not_valid_before_utc, certificate.not_valid_after_utc
    clock = f"the clock here says {now:{_MINUTE}}"
    if now < begin:
        yield Flaw(FlawKind.NOT_YET, f"{which} is not valid before {begin:{_MINUTE}}; {clock}")
    if now > end:
        yield Flaw(FlawKind.EXPIRED, f"{which} ended on {end:{_MINUTE}}; {clock}")


def _strength(certificate: x509.Certificate, which: str) -> Iterator[Flaw]:
    try:
        algorithm = certificate.signature_hash_algorithm
    except (ValueError, UnsupportedAlgorithm):  # a kind that the library does not know
        yield Flaw(FlawKind.WEAK_SIGNATURE, f"{which} has a signature of an unknown kind")
    else:
        if algorithm is not None and algorithm.name in _WEAK_HASHES:
            text = f"{which} is signed with {algorithm.name.upper()}, which clients refuse"
            yield Flaw(FlawKind.WEAK_SIGNATURE, text)
    wrong = _weak_key(certificate)
    if wrong:
        yield Flaw(FlawKind.WEAK_KEY, f"{which} has {wrong}")


def _weak_key(certificate: x509.Certificate) -> str:
    """Say what is weak about a key, or nothing."""
    try:
        key = certificate.public_key()
    except (ValueError, TypeError, UnsupportedAlgorithm):
        return "a key of an unknown kind"
    for kind, weakness in _WEAKNESSES:
        if isinstance(key, kind):
            return weakness(key)
    return "a key of a kind that TLS servers do not use"


def _weak_rsa(key: rsa.RSAPublicKey) -> str:
    bits = key.key_size
    return f"an RSA key of {bits} bits; {_SMALLEST_RSA} or more" if bits < _SMALLEST_RSA else ""


def _weak_curve(key: ec.EllipticCurvePublicKey) -> str:
    return "" if key.curve.name in _CURVES else f"a key on the curve {key.curve.name}"


_WEAKNESSES: tuple[tuple[type, Callable[..., str]], ...] = (
    (rsa.RSAPublicKey, _weak_rsa),
    (ec.EllipticCurvePublicKey, _weak_curve),
    (ed25519.Ed25519PublicKey, lambda _key: ""),
    (ed448.Ed448PublicKey, lambda _key: ""),
    (dsa.DSAPublicKey, lambda _key: "a DSA key, which TLS 1.3 does not know"),
)


def _issuer(issuer: x509.Certificate, depth: int, now: datetime) -> Iterator[Flaw]:
    """Look at one authority with `depth` others between it and the leaf (RFC 5280 §6.1.4)."""
    which = f"the authority {issuer.subject.rfc4514_string()}"
    basic = extension_of(issuer, x509.BasicConstraints)
    if basic is None or not basic.ca:
        yield Flaw(FlawKind.ISSUER, f"{which} is marked as none (RFC 5280 §4.2.1.9)")
    elif basic.path_length is not None and basic.path_length < depth:
        text = f"{which} allows {basic.path_length} authorities below it, and there are {depth}"
        yield Flaw(FlawKind.ISSUER, text)
    usage = extension_of(issuer, x509.KeyUsage)
    if usage is not None and not usage.key_cert_sign:
        text = f"{which} may not sign certificates (RFC 5280 §4.2.1.3)"
        yield Flaw(FlawKind.ISSUER, text)
    yield from _time(issuer, which, now)
    yield from (
        flaw
        for flaw in _strength(issuer, which)
        if flaw.kind is not FlawKind.WEAK_SIGNATURE or issuer.subject != issuer.issuer
    )


def extension_of(certificate: x509.Certificate, kind: type[_Extension]) -> _Extension | None:
    """Give an extension's value; None where it is missing or unreadable."""
    try:
        return certificate.extensions.get_extension_for_class(kind).value
    except (x509.ExtensionNotFound, x509.DuplicateExtension, ValueError):
        return None
