"""Certificates of every kind for a home, made as other authorities make them."""

from __future__ import annotations

import ipaddress
import subprocess
from datetime import datetime, timedelta, timezone
from typing import TYPE_CHECKING, Union

import attrs
import harness
from cryptography import x509
from cryptography.hazmat.primitives import hashes
from cryptography.hazmat.primitives.asymmetric import ec, rsa
from cryptography.hazmat.primitives.serialization import (
    BestAvailableEncryption,
    Encoding,
    NoEncryption,
    PrivateFormat,
)
from cryptography.x509.oid import NameOID

if TYPE_CHECKING:
    from pathlib import Path

Key = Union[ec.EllipticCurvePrivateKey, rsa.RSAPrivateKey]
NOW = datetime.now(timezone.utc).replace(microsecond=0)


@attrs.frozen
class Made:
    """A certificate and its key."""

    certificate: x509.Certificate
    key: Key

    @property
    def pem(self) -> bytes:
        """Give the certificate's text."""
        return self.certificate.public_bytes(Encoding.PEM)

    @property
    def key_pem(self) -> bytes:
        """Give the key's text."""
        return self.key.private_bytes(Encoding.PEM, PrivateFormat.PKCS8, NoEncryption())

    def key_under(self, passphrase: bytes) -> bytes:
        """Give the key's text under a passphrase."""
        kept = BestAvailableEncryption(passphrase)
        return self.key.private_bytes(Encoding.PEM, PrivateFormat.PKCS8, kept)


def make(
    name: str,
    issuer: Made | None = None,
    *,
    days: int = 400,
    hosts: tuple[str, ...] = (),
    key: Key | None = None,
) -> Made:
    """Make a certificate that ends `days` from now: an authority's, unless it is for hosts."""
    key = key or ec.generate_private_key(ec.SECP256R1())
    subject = _name(name)
    builder = (
        x509.CertificateBuilder()
        .subject_name(subject)
        .issuer_name(issuer.certificate.subject if issuer else subject)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(NOW - timedelta(days=400))
        .not_valid_after(NOW + timedelta(days=days, hours=1))
        .add_extension(x509.BasicConstraints(ca=not hosts, path_length=None), critical=True)
    )
    if hosts:
        names = [_general_name(host) for host in hosts]
        builder = builder.add_extension(x509.SubjectAlternativeName(names), critical=False)
    signer = issuer.key if issuer else key
    return Made(builder.sign(signer, hashes.SHA256()), key)


def sign_again(made: Made, issuer: Made, folder: Path, digest: str) -> Made:
    """Let an issuer sign a self-signed certificate with a digest that only old tools still use."""
    (folder / "old.pem").write_bytes(made.pem)
    (folder / "issuer.pem").write_bytes(issuer.pem)
    (folder / "issuer.key").write_bytes(issuer.key_pem)
    words = ["x509", "-in", "old.pem", "-CA", "issuer.pem", "-CAkey", "issuer.key", f"-{digest}"]
    again = subprocess.run(
        [harness.need("openssl"), *words, "-preserve_dates", "-CAcreateserial"],
        cwd=folder,
        check=True,
        capture_output=True,
    )
    return Made(x509.load_pem_x509_certificate(again.stdout), made.key)


def put(home: Path, *chain: Made, keys: tuple[Made, ...] = (), name: str = "server") -> None:
    """Write a chain and the keys of its leaves where a home has its certificate."""
    (home / "tls" / f"{name}.pem").write_bytes(b"".join(one.pem for one in chain))
    leaves = keys or chain[:1]
    key = home / "tls" / f"{name}.key"
    key.write_bytes(b"".join(one.key_pem for one in leaves))
    key.chmod(0o600)


def put_authority(home: Path, authority: Made) -> None:
    """Write an authority and its key in the place of the home's."""
    (home / "tls" / "authority.pem").write_bytes(authority.pem)
    (home / "tls" / "authority.key").write_bytes(authority.key_pem)


def _name(text: str) -> x509.Name:
    return x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, text)])


def _general_name(host: str) -> x509.GeneralName:
    try:
        return x509.IPAddress(ipaddress.ip_address(host))
    except ValueError:
        return x509.DNSName(host)
