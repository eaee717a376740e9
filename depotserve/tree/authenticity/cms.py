"""Detached CMS (PKCS #7) signatures, checked by the openssl program against pinned certificates.

First the signer's certificate is led back to a pinned one, then the signature is checked with that
very certificate and no other. Certificates are taken for any purpose: who pins an authority takes
every signer that it has certified, so pin the vendor's own, or the signer's, never a public root.
Lists of revoked certificates and countersigned times are not looked at.
"""

from __future__ import annotations

import hashlib
import os
import re
from typing import TYPE_CHECKING, Callable

import attrs
from cryptography import x509
from cryptography.hazmat.primitives import hashes
from cryptography.hazmat.primitives.serialization import Encoding

from depotserve.tree.authenticity.armour import BrokenError
from depotserve.tree.authenticity.cms_structure import SignedData, Signer, signed_data
from depotserve.tree.authenticity.pinned_certificates import load
from depotserve.tree.authenticity.programs import Outcome, feed, program
from depotserve.tree.authenticity.verdict import State, Verdict
from depotserve.tree.temporary import files_in_folder

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from depotserve.tree.authenticity.keys import Keys

__all__ = ["Cms", "looks_like_cms"]

_PEM = re.compile(rb"\s*-----BEGIN (CMS|PKCS7|PKCS #7 SIGNED DATA)-----")
_MOST_CERTIFICATES = 64  # that come with one signature
# Content octets of the identifiers of SHA-256, -384, -512, SHA3-256, -384, -512 (RFC 5754, 8702).
_STRONG = {bytes.fromhex(f"60864801650304020{last:x}") for last in (1, 2, 3, 8, 9, 10)}
# X509_V_ERR_* of OpenSSL that are not about who signed, mildest last; any other is.
_ERRORS = {
    23: (State.REVOKED_KEY, ""),
    10: (State.EXPIRED_KEY, "a certificate has expired"),
    9: (State.TOO_EARLY, "a certificate is not valid yet"),
    66: (State.WEAK, "the signer's key is too short"),
    67: (State.WEAK, "an authority's key is too short"),
    68: (State.WEAK, "a certificate is signed over a weak digest"),
}
_ERROR = re.compile(rb"^error (\d+) at \d+ depth lookup", re.MULTILINE)
# What openssl says where the bytes are not those that were signed.
_MISMATCH = re.compile(rb"verification failure|digest failure|bad signature|content verify error")
# 112 bits of strength (NIST SP 800-131A) are the least. With -trusted "no additional (e.g.,
# default) certificate lists are consulted" (openssl-verification-options(1)).
_POLICY = ("-auth_level", "2", "-purpose", "any", "-partial_chain")


def looks_like_cms(content: bytes) -> bool:
    """Tell whether a signature file is CMS: PEM, or DER or BER of a sequence with an identifier."""
    return bool(_PEM.match(content)) or (content[:1] == b"\x30" and b"\x06\x09" in content[:16])


class Cms:
    """The openssl program and the pinned certificates, for as many signatures as there are."""

    def __init__(self, keys: Keys, folder: str) -> None:
        """Use `folder`, which is private and only ours, for what openssl is given."""
        self._keys, self._folder, self._openssl = keys, folder, ""

    def detached(self, content: bytes, pieces: Iterable[bytes]) -> Verdict:
        """Check a detached signature over `pieces`, which are read once if a pinned key made it.

        All its signers must be good. Raises SurroundingsError if openssl is missing, and what
        `pieces` raises.
        """
        if not self._keys.certificates:
            return Verdict(State.UNKNOWN_KEY, detail="no certificate is pinned")
        self._openssl = self._openssl or program("openssl", purpose="a CMS signature")
        try:
            taken = signed_data(self._rewritten(content))
            came = [load(one, pem=False)[0] for one in taken.certificates[:_MOST_CERTIFICATES]]
        except BrokenError as error:
            return Verdict(State.UNREADABLE, detail=str(error))
        signers = self._certificates(taken, came)
        if len(signers) < len(taken.signers):
            return Verdict(State.UNKNOWN_KEY, detail="the signer's certificate is not there")
        led = self._led_back(_pems(signers), _pems(came), _name(signers))
        return led if led.vendor is None else self._fits(taken, led, pieces)

    def _certificates(
        self, taken: SignedData, came: list[x509.Certificate]
    ) -> list[x509.Certificate]:
        """Find each signer's certificate: a pinned one, else one that came with the signature."""
        pinned = [one for some in self._keys.certificates.values() for one in some]
        found = [
            next((one for one in pinned + came if _is_of(signer, one)), None)
            for signer in taken.signers
        ]
        return [one for one in found if one is not None]

    def _rewritten(self, content: bytes) -> bytes:
        """Have openssl write a signature anew, in DER: what it reads there is what we read."""
        self._write("given", content)
        form = "PEM" if _PEM.match(content) else "DER"
        given, written = self._path("given"), self._path("signature")
        command = [self._openssl, "cms", "-cmsout", "-inform", form, "-in", given]
        (outcome,) = feed([[*command, "-outform", "DER", "-out", written]], ())
        if outcome.status != 0:
            raise BrokenError("is a damaged CMS signature")
        with open(written, "rb") as stream:
            return stream.read()

    def _led_back(self, signers: list[bytes], came: list[bytes], name: str) -> Verdict:
        """Find the vendor whose pinned certificates stand behind every signer."""
        self._write("signers.pem", b"".join(signers))
        self._write("came.pem", b"".join(came))
        command = [self._openssl, "verify", *_POLICY]
        command += ["-untrusted", self._path("came.pem")] if came else []
        command += ["-trusted", self._path("pinned.pem")]
        for number, signer in enumerate(signers):
            command.append(self._write(f"signer-{number}", signer))
        found = [self._behind(vendor, command, name) for vendor in self._keys.certificates]
        return min(found, key=_preferred)

    def _behind(self, vendor: str, command: list[str], name: str) -> Verdict:
        """Tell whether a vendor's pinned certificates stand behind all the signers."""
        self._write("pinned.pem", b"".join(_pems(self._keys.certificates[vendor])))
        (outcome,) = feed([command], ())
        if outcome.status == 0:
            return Verdict(State.GOOD, vendor, name)
        numbers = {int(number) for number in _ERROR.findall(outcome.output)}
        if not numbers:
            return Verdict(State.UNREADABLE, detail="openssl cannot use its certificates")
        if not numbers <= _ERRORS.keys():
            return Verdict(State.UNKNOWN_KEY, fingerprint=name)
        state, detail = next(_ERRORS[number] for number in _ERRORS if number in numbers)
        return Verdict(state, vendor, name, detail)

    def _fits(self, taken: SignedData, led: Verdict, pieces: Iterable[bytes]) -> Verdict:
        """Check the signature itself, with the certificates that were led back alone."""
        command = [self._openssl, "cms", "-verify", "-binary", "-inform", "DER"]
        command += ["-in", self._path("signature"), "-content", "/dev/stdin", "-out", os.devnull]
        command += ["-nointern", "-certfile", self._path("signers.pem"), "-noverify"]
        digest = hashlib.sha256()
        (outcome,) = feed([command], _hashed(pieces, digest.update))
        return attrs.evolve(_judged(outcome, taken, led), sha256=digest.digest())

    def _write(self, name: str, content: bytes) -> str:
        with files_in_folder(), open(self._path(name), "wb") as stream:
            stream.write(content)
        return self._path(name)

    def _path(self, name: str) -> str:
        return os.path.join(self._folder, name)


def _judged(outcome: Outcome, taken: SignedData, led: Verdict) -> Verdict:
    if outcome.status is None:
        return Verdict(State.UNREADABLE, detail="openssl did not end in time")
    if outcome.status != 0:
        if _MISMATCH.search(outcome.output):
            return attrs.evolve(led, state=State.BAD, detail="")
        return Verdict(State.UNREADABLE, detail="openssl cannot check this kind of signature")
    if led.state is State.GOOD and not all(one.digest in _STRONG for one in taken.signers):
        return attrs.evolve(led, state=State.WEAK, detail="over a digest that is weak or unknown")
    return led


def _preferred(one: Verdict) -> tuple[bool, bool, bool]:
    """Put what is good before what a vendor stands behind, and unknown signers last."""
    return one.state is not State.GOOD, one.vendor is None, one.state is State.UNKNOWN_KEY


def _is_of(signer: Signer, certificate: x509.Certificate) -> bool:
    """Tell whether a signature names this certificate as its signer's (RFC 5652 §5.3)."""
    if signer.issuer:
        same = certificate.issuer.public_bytes() == signer.issuer
        return same and certificate.serial_number == signer.serial
    try:
        own = certificate.extensions.get_extension_for_class(x509.SubjectKeyIdentifier)
    except (x509.ExtensionNotFound, ValueError):
        return False
    return own.value.digest == signer.key_identifier


def _name(signers: list[x509.Certificate]) -> str:
    return signers[0].fingerprint(hashes.SHA256()).hex().upper()


def _pems(certificates: Iterable[x509.Certificate]) -> list[bytes]:
    return [one.public_bytes(Encoding.PEM) for one in certificates]


def _hashed(pieces: Iterable[bytes], update: Callable[[bytes], None]) -> Iterator[bytes]:
    for piece in pieces:
        update(piece)
        yield piece
