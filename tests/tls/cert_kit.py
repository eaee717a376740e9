"""What tests of `depotserve cert` share: homes, their files, and certificates of another age."""

from __future__ import annotations

from datetime import datetime, timedelta, timezone
from typing import TYPE_CHECKING

import harness
from cryptography import x509
from cryptography.hazmat.primitives import hashes
from cryptography.hazmat.primitives.serialization import Encoding

from depotserve import tls

if TYPE_CHECKING:
    import subprocess
    from pathlib import Path

DAY = timedelta(days=1)
TLS = {"address": "127.0.0.1", "port": 0, "tls": "modern"}


def now() -> datetime:
    return datetime.now(timezone.utc)


def cert(
    home: Path, *arguments: str | Path, **options: object
) -> subprocess.CompletedProcess[bytes]:
    """Run one command of the group for a home."""
    return harness.run("cert", *arguments, "--home", home, **options)  # type: ignore[arg-type]


def refused(home: Path, *arguments: str | Path, **options: object) -> str:
    """Run a command that must end with status 2, one line and nothing changed in HOME/tls."""
    before = everything(home)
    done = cert(home, *arguments, **options)
    assert done.returncode == 2, done.stdout
    assert everything(home) == before
    line = done.stderr.decode()
    assert line.startswith("depotserve: ")
    assert line.count("\n") == 1
    return line


def everything(home: Path) -> dict[str, tuple[bytes, int]]:
    """Give content and mode of each file in HOME/tls."""
    return {
        path.name: (path.read_bytes(), path.stat().st_mode) for path in (home / "tls").iterdir()
    }


def load(path: Path) -> x509.Certificate:
    return x509.load_pem_x509_certificates(path.read_bytes())[0]


def fingerprint(path: Path) -> str:
    return load(path).fingerprint(hashes.SHA256()).hex(":").upper()


def authority_of(home: Path) -> tls.Pair:
    folder = home / "tls"
    certificate, key = folder / "authority.pem", folder / "authority.key"
    return tls.Pair(certificate.read_bytes(), key.read_bytes())


def age(home: Path, days_left: int) -> None:
    """Put a certificate of the home's authority in force that ends in so many days."""
    names = ["localhost", "127.0.0.1"]
    pair = tls.issue(authority_of(home), names, days=30 + days_left)
    write(home, pair)


def write(home: Path, pair: tls.Pair) -> None:
    for name, content in (("server.key", pair.key), ("server.pem", pair.certificate)):
        new = home / "tls" / f"{name}.test"
        new.write_bytes(content)
        new.rename(home / "tls" / name)


def der(certificate: x509.Certificate) -> bytes:
    return certificate.public_bytes(Encoding.DER)


def ends(pair: Path) -> datetime:
    return load(pair).not_valid_after_utc
