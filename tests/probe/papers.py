"""Authorities and certificates of every kind of wrongness, made for one test each."""

from __future__ import annotations

import ssl
import warnings
from datetime import datetime, timedelta, timezone
from ipaddress import ip_address
from typing import TYPE_CHECKING, Any

import attrs
from cryptography import x509
from cryptography.hazmat.primitives import hashes
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.hazmat.primitives.serialization import Encoding, NoEncryption, PrivateFormat
from cryptography.x509.oid import ExtendedKeyUsageOID, NameOID

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

HOUR, DAY = timedelta(hours=1), timedelta(days=1)
SERVER, CLIENT = ExtendedKeyUsageOID.SERVER_AUTH, ExtendedKeyUsageOID.CLIENT_AUTH


@attrs.frozen
class Paper:
    """A certificate with its key."""

    certificate: x509.Certificate
    key: Any

    @property
    def pem(self) -> bytes:
        """Give the certificate as PEM text."""
        return self.certificate.public_bytes(Encoding.PEM)


def _name(common: str, owner: str = "") -> x509.Name:
    parts = [x509.NameAttribute(NameOID.COMMON_NAME, common)]
    if owner:
        parts.append(x509.NameAttribute(NameOID.ORGANIZATION_NAME, owner))
    return x509.Name(parts)


def _base(
    subject: x509.Name, key: Any, above: Paper | None, begin: timedelta, end: timedelta
) -> x509.CertificateBuilder:
    now = datetime.now(timezone.utc)
    return (
        x509.CertificateBuilder()
        .subject_name(subject)
        .issuer_name(above.certificate.subject if above else subject)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(now + begin)
        .not_valid_after(now + end)
    )


def authority(
    common: str = "Plant Root", above: Paper | None = None, *, owner: str = "", end: timedelta = DAY
) -> Paper:
    """Make an authority: a root, or an intermediate below `above`."""
    key = ec.generate_private_key(ec.SECP256R1())
    builder = _base(_name(common, owner), key, above, -900 * DAY, end * 900)
    builder = builder.add_extension(x509.BasicConstraints(ca=True, path_length=None), critical=True)
    return Paper(builder.sign(above.key if above else key, hashes.SHA256()), key)


def leaf(
    above: Paper | None,
    names: Sequence[str] = ("localhost", "127.0.0.1"),
    *,
    common: str = "depot",
    as_dns: bool = False,
    purpose: Any = SERVER,
    begin: timedelta = -40 * DAY,
    end: timedelta = 400 * DAY,
) -> Paper:
    """Make a server's certificate; `as_dns` writes addresses as DNS names, which is wrong."""
    key = ec.generate_private_key(ec.SECP256R1())
    builder = _base(_name(common), key, above, begin, end)
    builder = builder.add_extension(x509.ExtendedKeyUsage([purpose]), critical=False)
    if names:
        alternatives = x509.SubjectAlternativeName([_general(one, as_dns) for one in names])
        builder = builder.add_extension(alternatives, critical=False)
    return Paper(builder.sign(above.key if above else key, hashes.SHA256()), key)


def _general(name: str, as_dns: bool) -> x509.GeneralName:
    if not as_dns and name.replace(".", "").isdigit():
        return x509.IPAddress(ip_address(name))
    return x509.DNSName(name)


def context(folder: Path, own: Paper, *above: Paper, version: Any = None) -> ssl.SSLContext:
    """Make a server's context that sends `own` and then `above`."""
    file = folder / "server.pem"
    key = own.key.private_bytes(Encoding.PEM, PrivateFormat.PKCS8, NoEncryption())
    file.write_bytes(own.pem + b"".join(one.pem for one in above) + key)
    made = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    if version is not None:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # old versions are what is wanted here
            made.minimum_version, made.maximum_version = (
                ssl.TLSVersion.MINIMUM_SUPPORTED,
                version,
            )
        made.set_ciphers("ALL:@SECLEVEL=0")
    made.load_cert_chain(str(file))
    return made
