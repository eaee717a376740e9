"""The forms in which clients read the authorities that they trust."""

from __future__ import annotations

from typing import TYPE_CHECKING, Callable

import attrs
from cryptography.hazmat.primitives import hashes
from cryptography.hazmat.primitives.serialization import Encoding, PrivateFormat, pkcs12
from cryptography.x509.oid import NameOID

from depotserve.errors import CallerError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from cryptography import x509

__all__ = [
    "CLIENTS",
    "STORE_WORD",
    "Form",
    "check_word",
    "common_name",
    "fingerprint",
    "form",
    "label",
]

STORE_WORD = "changeit"  # what a JVM's own trust store has; such a store holds no secret
_LABEL_DIGITS = 12  # of the fingerprint: enough to tell two authorities of one plant apart


@attrs.frozen
class Form:
    """The files that a client reads."""

    word: str  # what a file is
    contents: tuple[bytes, ...]  # one for each file


def form(
    client: str,
    anchors: Sequence[x509.Certificate],
    *,
    word: str = STORE_WORD,
    compatible: bool = False,
) -> Form:
    """Give the roots `anchors` in the form that `client`, one of CLIENTS, reads.

    `word` opens a Java trust store, and `compatible` makes one for Java 8 before update 301.
    Raises CallerError if the word is none for a store, or if another client is to get a
    compatible form.
    """
    if client == "java":
        check_word(word)
        return Form("PKCS #12 trust store", (_java(anchors, word, compatible=compatible),))
    if compatible:
        raise CallerError(f"--compatible has no meaning for {client}", allowed="it is for java")
    name, write, one_a_file = _WRITERS[client]
    parts = [[anchor] for anchor in anchors] if one_a_file else [anchors]
    return Form(name, tuple(map(write, parts)))


def check_word(word: str) -> None:
    """Raise CallerError for a word that not every Java can open a store by."""
    if not word:
        raise CallerError(
            "an empty word opens no Java trust store", allowed="give one or more characters"
        )
    # The JVM's key of a password takes nothing else (javax.crypto, "Password is not ASCII").
    if not all(" " <= character <= "~" for character in word):
        raise CallerError(
            "not every Java can open a store by this word", allowed="allowed is printable ASCII"
        )


def fingerprint(certificate: x509.Certificate) -> str:
    """Give SHA-256 of the DER form: pairs of upper-case hex digits between colons."""
    return certificate.fingerprint(hashes.SHA256()).hex(":").upper()


def label(certificate: x509.Certificate) -> str:
    """Give a name for an authority in clients' stores, which no other authority has there."""
    return f"depot-{certificate.fingerprint(hashes.SHA256()).hex()[:_LABEL_DIGITS]}"


def common_name(certificate: x509.Certificate) -> str:
    """Give the name by which people find an authority in a list; its whole subject if it has none.

    The text is RFC 4514 in the second case.
    """
    found = certificate.subject.get_attributes_for_oid(NameOID.COMMON_NAME)
    return str(found[0].value) if found else certificate.subject.rfc4514_string()


def _pem(certificates: Sequence[x509.Certificate]) -> bytes:
    return b"".join(one.public_bytes(Encoding.PEM) for one in certificates)


def _der(certificates: Sequence[x509.Certificate]) -> bytes:
    return b"".join(one.public_bytes(Encoding.DER) for one in certificates)


def _java(certificates: Sequence[x509.Certificate], word: str, *, compatible: bool) -> bytes:
    """Give a PKCS #12 store (RFC 7292) whose certificates bear the mark by which Java trusts them.

    PBES2 and a SHA-256 MAC are read since Java 8u301, 11.0.12 and 12; what came before reads
    triple DES and a SHA-1 MAC, which protect no secret here.
    """
    cipher, digest = _OLD if compatible else _NEW
    protection = (
        PrivateFormat.PKCS12.encryption_builder()
        .key_cert_algorithm(cipher)
        .hmac_hash(digest)
        .build(word.encode("ascii"))
    )
    entries = [pkcs12.PKCS12Certificate(one, label(one).encode()) for one in certificates]
    return pkcs12.serialize_java_truststore(entries, protection)


_NEW = (pkcs12.PBES.PBESv2SHA256AndAES256CBC, hashes.SHA256())
_OLD = (pkcs12.PBES.PBESv1SHA1And3KeyTripleDESCBC, hashes.SHA1())  # noqa: S303  # guards nothing

_Writer = Callable[["Sequence[x509.Certificate]"], bytes]
# What a file is, how it is written, and whether each holds one certificate only.
_BUNDLE: tuple[str, _Writer, bool] = ("PEM text", _pem, False)
_ONE_PEM: tuple[str, _Writer, bool] = ("PEM text", _pem, True)
_ONE_DER: tuple[str, _Writer, bool] = ("DER", _der, True)
_WRITERS = {
    "debian": _ONE_PEM,  # update-ca-certificates(8): one certificate a file
    "redhat": _BUNDLE,
    "windows": _ONE_DER,
    "macos": _ONE_DER,
    "firefox": _ONE_PEM,  # NSS's certutil takes the first certificate of a file and no other
    "python": _BUNDLE,
    "curl": _BUNDLE,
    "container": _BUNDLE,
}
CLIENTS = ("java", *_WRITERS)
