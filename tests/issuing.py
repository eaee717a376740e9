"""An organisation's certificate authority, for tests: a root, an intermediate, and servers."""

from __future__ import annotations

import subprocess
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
    from pathlib import Path

NOW = datetime.now(timezone.utc).replace(microsecond=0)
DAY = timedelta(days=1)
HOSTS = ("depot.plant.example", "192.0.2.7")


def openssl(*words: str | Path, stdin: bytes = b"") -> bytes:
    """Run openssl, the outside reference for every format here; it must succeed."""
    done = subprocess.run(
        ["openssl", *map(str, words)], input=stdin, capture_output=True, check=False, timeout=60
    )
    assert done.returncode == 0, (words, done.stderr.decode())
    return done.stdout


@attrs.frozen(eq=False)
class Issued:
    """A certificate and its key."""

    certificate: x509.Certificate
    key: Any

    @property
    def pem(self) -> bytes:
        """Give the certificate's PEM text."""
        return self.certificate.public_bytes(Encoding.PEM)

    @property
    def der(self) -> bytes:
        """Give the certificate's DER form."""
        return self.certificate.public_bytes(Encoding.DER)

    @property
    def key_pem(self) -> bytes:
        """Give the key as unencrypted PKCS #8."""
        return self.key.private_bytes(Encoding.PEM, PrivateFormat.PKCS8, NoEncryption())


def issue(
    common_name: str,
    issuer: Issued | None = None,
    *,
    key: Any = None,
    authority: bool = False,
    hosts: tuple[str, ...] = HOSTS,
    begin: datetime = NOW - DAY,
    end: datetime = NOW + 300 * DAY,
    purpose: x509.ObjectIdentifier = ExtendedKeyUsageOID.SERVER_AUTH,
) -> Issued:
    """Issue a certificate; without an issuer it is signed by itself."""
    key = key or ec.generate_private_key(ec.SECP256R1())
    name = _name(common_name)
    builder = (
        x509.CertificateBuilder()
        .subject_name(name)
        .issuer_name(issuer.certificate.subject if issuer else name)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(begin)
        .not_valid_after(end)
        .add_extension(x509.BasicConstraints(ca=authority, path_length=None), critical=True)
    )
    if not authority:
        builder = builder.add_extension(x509.ExtendedKeyUsage([purpose]), critical=False)
        if hosts:
            builder = builder.add_extension(_alternative_names(hosts), critical=False)
    return Issued(builder.sign(issuer.key if issuer else key, hashes.SHA256()), key)


def _name(common_name: str) -> x509.Name:
    return x509.Name(
        [
            x509.NameAttribute(NameOID.ORGANIZATION_NAME, "Desalination plant"),
            x509.NameAttribute(NameOID.COMMON_NAME, common_name),
        ]
    )


def _alternative_names(hosts: tuple[str, ...]) -> x509.SubjectAlternativeName:
    return x509.SubjectAlternativeName(
        [
            x509.IPAddress(ip_address(host)) if host[0].isdigit() else x509.DNSName(host)
            for host in hosts
        ]
    )


@attrs.frozen(eq=False)
class Organisation:
    """An authority of two levels and a server that it vouches for."""

    root: Issued
    middle: Issued
    leaf: Issued


def organise() -> Organisation:
    """Make an organisation's root, its intermediate and a server's certificate."""
    root = issue("Plant root", authority=True, end=NOW + 3000 * DAY)
    middle = issue("Plant issuing", root, authority=True, end=NOW + 1000 * DAY)
    return Organisation(root, middle, issue("depot", middle))


def signed_by_openssl(
    folder: Path, request: Path, issuer: Issued, *options: str, hosts: tuple[str, ...] = HOSTS
) -> bytes:
    """Let openssl sign a request with an authority's key; give the certificate's PEM text."""
    (folder / "ca.pem").write_bytes(issuer.pem)
    (folder / "ca.key").write_bytes(issuer.key_pem)
    names = ",".join(f"{'IP' if host[0].isdigit() else 'DNS'}:{host}" for host in hosts)
    (folder / "extensions").write_text(
        f"basicConstraints=critical,CA:false\nextendedKeyUsage=serverAuth\nsubjectAltName={names}\n"
    )
    words = ["x509", "-req", "-in", request, "-CA", folder / "ca.pem", "-CAkey", folder / "ca.key"]
    words += ["-days", "200", "-extfile", folder / "extensions", "-CAcreateserial"]
    return openssl(*words, *options)


def state_of(folder: Path) -> dict[str, tuple[bytes, int, int]]:
    """Give name, content, mode and time of every file in a folder."""
    return {
        path.name: (path.read_bytes(), path.stat().st_mode, path.stat().st_mtime_ns)
        for path in sorted(folder.iterdir())
    }
