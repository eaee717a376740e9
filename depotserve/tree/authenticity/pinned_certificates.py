"""X.509 certificates out of a file of pinned keys: several in PEM, or one in DER."""

from __future__ import annotations

import re
import warnings
from typing import TYPE_CHECKING

from cryptography import x509
from cryptography.exceptions import UnsupportedAlgorithm
from cryptography.hazmat.primitives import hashes
from cryptography.hazmat.primitives.serialization import Encoding, load_der_private_key

from depotserve.tree.authenticity.armour import BrokenError
from depotserve.tree.authenticity.pinned import Found, Pinned

if TYPE_CHECKING:
    from datetime import datetime

__all__ = ["load", "read"]

_LABEL = re.compile(rb"-----BEGIN ([A-Z0-9 ]{1,40})-----")
_CERTIFICATE = (b"CERTIFICATE", b"X509 CERTIFICATE", b"TRUSTED CERTIFICATE")
# What the library says of damaged input; InvalidVersion is none of the others.
_FAULTS = (ValueError, TypeError, UnsupportedAlgorithm, x509.InvalidVersion)


def read(content: bytes, vendor: str, file: str) -> list[Found]:
    """Read every certificate of a file. Raises BrokenError, also for a private key."""
    labels = _LABEL.findall(content)
    if any(label.endswith(b"PRIVATE KEY") for label in labels):
        raise BrokenError("holds a private key; pin the certificate alone")
    if any(label not in _CERTIFICATE[:2] for label in labels):
        raise BrokenError("holds something other than certificates")
    found = load(content, pem=bool(labels))
    return [Found(_pinned(one, vendor, file), one.public_bytes(Encoding.DER)) for one in found]


def load(content: bytes, *, pem: bool) -> list[x509.Certificate]:
    """Read certificates in PEM, or the one in DER. Raises BrokenError."""
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # about serial numbers and dates that others chose
            if pem:
                return x509.load_pem_x509_certificates(content)
            return [x509.load_der_x509_certificate(content)]
    except _FAULTS as error:
        what = "a private key; pin the certificate alone" if _is_key(content) else "no certificate"
        raise BrokenError(f"holds {what}") from error


def _is_key(content: bytes) -> bool:
    try:
        load_der_private_key(content, None)
    except TypeError:  # it needs a passphrase
        return True
    except _FAULTS:
        return False
    return True


def _pinned(one: x509.Certificate, vendor: str, file: str) -> Pinned:
    name = one.fingerprint(hashes.SHA256()).hex().upper()
    return Pinned(vendor, "X.509", name, _seconds(one.not_valid_after_utc), False, file)  # noqa: FBT003


def _seconds(moment: datetime) -> int:
    return int(moment.timestamp())
