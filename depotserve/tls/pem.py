"""Certificate and key files as people hand them in: text of RFC 7468, read without guessing."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

import attrs
from cryptography import x509
from cryptography.exceptions import UnsupportedAlgorithm
from cryptography.hazmat.primitives.asymmetric import ec, ed448, ed25519, rsa
from cryptography.hazmat.primitives.serialization import (
    Encoding,
    PublicFormat,
    load_pem_private_key,
)

from depotserve.errors import CallerError

if TYPE_CHECKING:
    from typing import Union

    PrivateKey = Union[
        ec.EllipticCurvePrivateKey,
        rsa.RSAPrivateKey,
        ed25519.Ed25519PrivateKey,
        ed448.Ed448PrivateKey,
    ]

__all__ = ["Chain", "Credential", "read_chain", "read_pair"]

_KINDS = (
    ec.EllipticCurvePrivateKey,
    rsa.RSAPrivateKey,
    ed25519.Ed25519PrivateKey,
    ed448.Ed448PrivateKey,
)
_BEGIN = re.compile(rb"-----BEGIN ([A-Z0-9 ]+)-----")
_END = re.compile(rb"-----END ([A-Z0-9 ]+)-----")
_BYTE_ORDER_MARKS = (b"\xff\xfe", b"\xfe\xff")  # UTF-16, which editors on desktops write
_UTF8_MARK = b"\xef\xbb\xbf"
_MOST_CERTIFICATES = 20  # a chain on the wire is sent whole to every client


@attrs.frozen
class Chain:
    """The certificates of one file, the server's own first, and their tidied text."""

    pem: bytes
    certificates: tuple[x509.Certificate, ...]

    @property
    def leaf(self) -> x509.Certificate:
        """Give the server's own certificate."""
        return self.certificates[0]


@attrs.frozen
class Credential:
    """A chain and the private key of its first certificate."""

    chain: Chain
    key: PrivateKey = attrs.field(repr=False)
    key_pem: bytes = attrs.field(repr=False)


def read_pair(
    certificate: bytes, key: bytes, *, certificate_name: str, key_name: str
) -> Credential:
    """Give chain and key, once they are seen to belong together.

    The names say in messages which file is meant. Raises CallerError if either cannot be read,
    if the key belongs to none of the certificates, or to one that does not stand first
    (RFC 8446 §4.4.2).
    """
    chain = read_chain(certificate, name=certificate_name)
    text, private = _read_key(key, name=key_name)
    public = _public_bytes(private.public_key())
    matches = [_public_bytes(one.public_key()) == public for one in chain.certificates]
    if not any(matches):
        raise CallerError(f"does not belong to the key in {key_name}", where=certificate_name)
    if not matches[0]:
        raise CallerError(
            "the certificates stand in the wrong order",
            where=certificate_name,
            allowed="the server's own comes first, then each one's issuer",
        )
    return Credential(chain=chain, key=private, key_pem=text)


def read_chain(content: bytes, *, name: str) -> Chain:
    """Give the certificates that a file holds, in its order.

    A UTF-8 byte order mark, CR LF and text around the blocks are tolerated (RFC 7468 §2, §5.2).
    Raises CallerError if the file is empty, cut, of another encoding, or holds a key.
    """
    blocks = _blocks(content, name=name)
    if any(label.endswith(b"PRIVATE KEY") for label, _ in blocks):
        raise CallerError("holds a private key, which belongs into server.key only", where=name)
    texts = [text for label, text in blocks if label in {b"CERTIFICATE", b"X509 CERTIFICATE"}]
    if not texts:
        raise CallerError("holds no certificate", where=name, allowed="PEM text is needed")
    if len(texts) > _MOST_CERTIFICATES:
        raise CallerError(f"holds more than {_MOST_CERTIFICATES} certificates", where=name)
    texts = [text.replace(b" X509 CERTIFICATE-", b" CERTIFICATE-") for text in texts]
    certificates = tuple(_certificate(text, name=name) for text in texts)
    return Chain(pem=b"".join(texts), certificates=certificates)


def _read_key(content: bytes, *, name: str) -> tuple[bytes, PrivateKey]:
    """Give the key's tidied PEM text and the key.

    An encrypted one is refused: nobody is there to type its passphrase when a service starts.
    """
    blocks = _blocks(content, name=name)
    texts = [text for label, text in blocks if label.endswith(b"PRIVATE KEY")]
    if len(texts) != 1:
        raise CallerError(f"holds {len(texts)} private keys", where=name, allowed="one is needed")
    if b"BEGIN ENCRYPTED" in texts[0] or b"Proc-Type: 4,ENCRYPTED" in texts[0]:
        raise CallerError(
            "the key is encrypted, and nobody is there to type its passphrase",
            where=name,
            allowed="write it unencrypted with mode 0600: openssl pkey -in OLD -out NEW",
        )
    return texts[0], _private_key(texts[0], name=name)


def _private_key(text: bytes, *, name: str) -> PrivateKey:
    """Give the key of one PEM block; no message repeats a byte of it."""
    try:
        key = load_pem_private_key(text, password=None)
    except (ValueError, TypeError, UnsupportedAlgorithm):
        raise CallerError("the key is damaged or of an unknown kind", where=name) from None
    if not isinstance(key, _KINDS):
        raise CallerError("the key is of a kind that TLS servers do not use", where=name)
    return key


def _certificate(text: bytes, *, name: str) -> x509.Certificate:
    """Give the certificate of one PEM block."""
    try:
        certificate = x509.load_pem_x509_certificate(text)
        _public_bytes(certificate.public_key())
    except (ValueError, TypeError, UnsupportedAlgorithm) as error:
        raise CallerError("a certificate is damaged", where=name) from error
    return certificate


def _blocks(content: bytes, *, name: str) -> list[tuple[bytes, bytes]]:
    """Give label and tidied text of each PEM block; raise CallerError unless all are whole."""
    blocks: list[tuple[bytes, bytes]] = []
    label, lines = b"", [b""]
    for line in _lines(content, name=name):
        begin, end = _BEGIN.fullmatch(line), _END.fullmatch(line)
        if begin and not label:
            label, lines = begin[1], [line]
        elif end and label and end[1] == label:
            blocks.append((label, b"\n".join([*lines, line, b""])))
            label = b""
        elif line.startswith(b"-"):
            raise CallerError(
                f"the line {line[:40].decode('ascii', 'backslashreplace')!r} is damaged",
                where=name,
                allowed="each BEGIN and END stands alone on its line",
            )
        else:
            lines.append(line)
    if label:
        raise CallerError("is cut short: its last block does not end", where=name)
    return blocks


def _lines(content: bytes, *, name: str) -> list[bytes]:
    """Give the lines without mark, CR and outer blanks; refuse UTF-16 text and no text."""
    if not content.strip():
        raise CallerError("is empty", where=name)
    if content.startswith(_BYTE_ORDER_MARKS) or b"\x00" in content[:4]:
        raise CallerError("is UTF-16 text", where=name, allowed="save it as plain text (UTF-8)")
    text = content.removeprefix(_UTF8_MARK)
    return [line.strip() for line in text.splitlines()]


def _public_bytes(key: object) -> bytes:
    """Give a public key's standard form (RFC 5280 §4.1.2.7), by which two can be compared."""
    return key.public_bytes(Encoding.DER, PublicFormat.SubjectPublicKeyInfo)  # type: ignore[attr-defined,no-any-return]
