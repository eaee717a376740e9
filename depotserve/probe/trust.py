"""By which authorities a depot is verified: a file that was given, or the system's store."""

from __future__ import annotations

import ssl
import warnings
from typing import TYPE_CHECKING

import attrs
from cryptography import x509
from cryptography.hazmat.primitives.serialization import Encoding

from depotserve.errors import CallerError
from depotserve.home import read_bounded

if TYPE_CHECKING:
    from pathlib import Path

__all__ = ["Trust", "lenient", "load_trust", "unverifying"]

_MOST = 4 << 20  # bytes; the store of a whole system has some 250 KiB
_MARK = b"\xef\xbb\xbf"


@attrs.frozen
class Trust:
    """The authorities, and the name by which messages call where they come from."""

    name: str
    context: ssl.SSLContext  # verifies chain, name, time and purpose
    anchors: tuple[x509.Certificate, ...]
    entry: str = "name it by --ca"  # what to do with an authority that is to be trusted


def load_trust(file: Path | None) -> Trust:
    """Take the authorities in `file` (PEM or one in DER), or the system's.

    Raises SurroundingsError if the file cannot be read, CallerError if it holds no certificate.
    """
    if file is None:
        return _of_system()
    content = read_bounded(file, _MOST).removeprefix(_MARK)
    anchors = _certificates(content, str(file))
    context = _verifying()
    context.load_verify_locations(cadata=b"".join(map(_der, anchors)))
    return Trust(str(file), context, anchors, f"put it into {file}")


def lenient(*, newest: ssl.TLSVersion | None = None) -> ssl.SSLContext:
    """Make a context that takes any certificate and every old version, to find out what is there.

    Nothing secret may be sent over it.
    """
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
    context.check_hostname = False
    context.verify_mode = ssl.CERT_NONE
    context.set_ciphers("ALL:@SECLEVEL=0")  # OpenSSL 3 has TLS 1.0 at level 0 only
    context.minimum_version = ssl.TLSVersion.MINIMUM_SUPPORTED
    if newest is not None:
        context.maximum_version = newest
    context.set_alpn_protocols(["http/1.1"])
    return context


def unverifying() -> ssl.SSLContext:
    """Make a context that takes any certificate, for a passphrase that is sent all the same."""
    context = _verifying()
    context.check_hostname = False
    context.verify_mode = ssl.CERT_NONE
    return context


def _verifying() -> ssl.SSLContext:
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
    context.minimum_version = ssl.TLSVersion.TLSv1_2  # RFC 9325 §3.1.1
    context.hostname_checks_common_name = False  # RFC 9525 §2; the library does by default
    context.set_alpn_protocols(["http/1.1"])
    return context


def _of_system() -> Trust:
    context = _verifying()
    context.load_default_certs()
    paths = ssl.get_default_verify_paths()
    name = f"the system's store ({paths.cafile or paths.capath or 'which is empty'})"
    return Trust(name, context, tuple(_readable(context.get_ca_certs(binary_form=True))))


def _readable(ders: list[bytes]) -> list[x509.Certificate]:
    """Give those that can be read; a system's store may hold odd ones."""
    with warnings.catch_warnings():
        warnings.simplefilter("error")  # cryptography warns of what RFC 5280 disallows
        return [one for one in map(_maybe_certificate, ders) if one is not None]


def _maybe_certificate(der: bytes) -> x509.Certificate | None:
    try:
        return x509.load_der_x509_certificate(der)
    except (ValueError, Warning):
        return None


def _certificates(content: bytes, where: str) -> tuple[x509.Certificate, ...]:
    try:
        if b"-----BEGIN" in content:
            return tuple(x509.load_pem_x509_certificates(content))
        return (x509.load_der_x509_certificate(content),)
    except ValueError:
        raise CallerError(
            "holds no certificate that can be read",
            where=where,
            allowed="give the authority's certificate as PEM or DER",
        ) from None


def _der(certificate: x509.Certificate) -> bytes:
    return certificate.public_bytes(Encoding.DER)
