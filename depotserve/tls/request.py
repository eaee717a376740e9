"""A request for a server certificate, for the organisation's own authority (RFC 2986)."""

from __future__ import annotations

import os
from ipaddress import IPv4Address, IPv6Address
from typing import TYPE_CHECKING

import attrs
from cryptography import x509
from cryptography.hazmat.primitives import hashes
from cryptography.hazmat.primitives.asymmetric import ec, rsa
from cryptography.hazmat.primitives.serialization import Encoding
from cryptography.x509.oid import ExtendedKeyUsageOID

from depotserve.errors import DepotError
from depotserve.home import New, read_bounded, write_files
from depotserve.tls import custody
from depotserve.tls.authority import key_usage
from depotserve.tls.examine import addresses_of, names_of
from depotserve.tls.intake import take_in
from depotserve.tls.keys import KeyKind, key_to_pem, make_key
from depotserve.tls.leaf import general_name, subject_of

if TYPE_CHECKING:
    from collections.abc import Sequence

    from depotserve.home import Home
    from depotserve.tls.keys import SigningKey
    from depotserve.tls.names import Host


__all__ = ["KEY_KINDS", "Requested", "names_in_force", "request", "sign_request"]

_MOST_KEY = 1 << 16  # bytes
_SECRET, _PUBLIC = 0o600, 0o644

KEY_KINDS = tuple(kind.value for kind in KeyKind)


@attrs.frozen
class Requested:
    """A request that lies in HOME/tls, and what became of the key of an earlier one."""

    pem: bytes
    kept: bool  # the earlier key was taken again
    replaced: bool  # an earlier key of another kind is gone


def request(home: Home, hosts: Sequence[Host], kind: str) -> Requested:
    """Write a request for `hosts`, and its private key unless one of that kind is waiting.

    A key whose certificate is still to come is taken again, so that a certificate for an earlier
    request fits too. To be called under the lock of HOME/tls. Raises CallerError if the waiting
    key is damaged, SurroundingsError with nothing changed if the files cannot be written.
    """
    waiting = _waiting(home)
    kept = waiting is not None and KeyKind.of(waiting) is KeyKind(kind)
    key = waiting if kept and waiting is not None else make_key(KeyKind(kind))
    pem = sign_request(key, hosts)
    write_files([New(home.request_key, key_to_pem(key), _SECRET), New(home.request, pem, _PUBLIC)])
    return Requested(pem, kept=kept, replaced=waiting is not None and not kept)


def names_in_force(home: Home) -> tuple[Host, ...]:
    """Give the names and addresses of the certificate in force, except loopback ones.

    Raises CallerError or SurroundingsError if it cannot be read.
    """
    live = custody.read_live(home)
    leaf = take_in(live.certificate, name=home.certificate.name).certificates[0]
    names = [name.lower() for name in names_of(leaf)]
    hosts: list[Host] = [*names, *addresses_of(leaf)]
    return tuple(host for host in hosts if not _is_loopback(host))


def _is_loopback(host: Host) -> bool:
    if isinstance(host, (IPv4Address, IPv6Address)):
        return host.is_loopback
    return host == "localhost" or host.endswith(".localhost")  # RFC 6761 §6.3


def sign_request(key: SigningKey, hosts: Sequence[Host]) -> bytes:
    """Give the PEM text of a request for a TLS server's certificate for these hosts.

    The names stand in subjectAltName (RFC 5280 §4.2.1.6, asked for as RFC 2985 §5.4.2 says).
    """
    names = x509.SubjectAlternativeName([general_name(host) for host in hosts])
    builder = (
        x509.CertificateSigningRequestBuilder()
        .subject_name(subject_of(hosts))
        .add_extension(names, critical=False)
        .add_extension(key_usage("digital_signature"), critical=True)
        .add_extension(x509.ExtendedKeyUsage([ExtendedKeyUsageOID.SERVER_AUTH]), critical=False)
    )
    return builder.sign(key, hashes.SHA256()).public_bytes(Encoding.PEM)


def _waiting(home: Home) -> SigningKey | None:
    """Give the key of a request whose certificate has not come into force."""
    if not os.path.lexists(home.request_key):
        return None
    content = read_bounded(home.request_key, _MOST_KEY)
    keys = take_in(content, name=home.request_key.name).keys
    usable = [
        key for key in keys if isinstance(key, (ec.EllipticCurvePrivateKey, rsa.RSAPrivateKey))
    ]
    return None if not usable or _in_force(home, usable[0]) else usable[0]


def _in_force(home: Home, key: SigningKey) -> bool:
    try:
        live = take_in(custody.read_live(home).key, name=home.key.name).keys
    except DepotError:
        return False
    return any(one.public_key() == key.public_key() for one in live)
