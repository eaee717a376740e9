"""Certificate and key files as people hand them in: text of RFC 7468, read without guessing."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

import attrs
from cryptography import x509
from cryptography.exceptions import UnsupportedAlgorithm
from cryptography.hazmat.primitives.asymmetric import ec, ed448, ed25519, rsa
from cryptography.hazmat.primitives.serialization import load_pem_private_key

from depotserve.errors import CallerError
from depotserve.tls.keys import public_bytes

if TYPE_CHECKING:
    from typing import Union

    PrivateKey = Union[
        ec.EllipticCurvePrivateKey,
        rsa.RSAPrivateKey,
        ed25519.Ed25519PrivateKey,
        ed448.Ed448PrivateKey,
    ]

__all__ = ["Chain", "Credential", "is_encrypted", "read_chain", "read_pair", "read_pairs"]

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
_MOST_KEYS = 2
_MOST_CERTIFICATES = 20  # a chain on the wire is sent whole to every client


@attrs.frozen
class Chain:
    """The certificates of one file, the server's own first, and the tidied text of each."""

    texts: tuple[bytes, ...]
    certificates: tuple[x509.Certificate, ...]

    @property
    def pem(self) -> bytes:
        """Give the whole text."""
        return b"".join(self.texts)

    @property
    def leaf(self) -> x509.Certificate:
        """Give the server's own certificate."""
        return self.certificates[0]

    def part(self, begin: int, end: int | None) -> Chain:
        """Give the certificates from one place to another."""
        return Chain(self.texts[begin:end], self.certificates[begin:end])


@attrs.frozen
class Credential:
    """A chain and the private key of its first certificate."""

    chain: Chain
    key: PrivateKey = attrs.field(repr=False)
    key_pem: bytes = attrs.field(repr=False)


def read_pair(
    certificate: bytes,
    key: bytes,
    *,
    certificate_name: str,
    key_name: str,
    passphrase: str | None = None,
) -> Credential:
    """Give one chain and its key, once they are seen to belong together; else as `read_pairs`.

    `passphrase` opens a key that is encrypted.
    """
    chain = read_chain(certificate, name=certificate_name)
    keys = _read_keys(key, name=key_name, passphrase=passphrase)
    if len(keys) != 1:
        raise CallerError(
            f"holds {len(keys)} private keys", where=key_name, allowed="one is needed"
        )
    return _match(chain, keys, certificate_name, key_name)[0]


def read_pairs(
    certificate: bytes, key: bytes, *, certificate_name: str, key_name: str
) -> tuple[Credential, ...]:
    """Give the chain of each key: one, or one of ECDSA and one of RSA.

    Each chain stands leaf first and ends where the next leaf begins (RFC 8446 §4.4.2). The names
    say in messages which file is meant. Raises CallerError if either file cannot be read, if a
    key belongs to none of the certificates, or if the first certificate is no key's.
    """
    chain = read_chain(certificate, name=certificate_name)
    keys = _read_keys(key, name=key_name, passphrase=None)
    kinds = [type(private) for _, private in keys]
    if len(set(kinds)) != len(kinds) or len(kinds) > _MOST_KEYS:
        raise CallerError(
            f"holds {len(keys)} private keys",
            where=key_name,
            allowed="one is needed, or one of ECDSA and one of RSA",
        )
    return _match(chain, keys, certificate_name, key_name)


def _match(
    chain: Chain, keys: list[tuple[bytes, PrivateKey]], certificate_name: str, key_name: str
) -> tuple[Credential, ...]:
    """Part a file's certificates among its keys."""
    own = [public_bytes(one.public_key()) for one in chain.certificates]
    places = {}
    for text, private in keys:
        public = public_bytes(private.public_key())
        if public not in own:
            raise CallerError(f"does not belong to the key in {key_name}", where=certificate_name)
        places[own.index(public)] = (text, private)
    starts = sorted(places)
    if starts[0] != 0:
        raise CallerError(
            "the certificates stand in the wrong order",
            where=certificate_name,
            allowed="the server's own comes first, then each one's issuer",
        )
    ends = [*starts[1:], None]
    return tuple(
        Credential(chain=chain.part(start, end), key=places[start][1], key_pem=places[start][0])
        for start, end in zip(starts, ends)
    )


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
    return Chain(tuple(texts), tuple(_certificate(text, name=name) for text in texts))


def is_encrypted(key: bytes) -> bool:
    """Tell whether a key's PEM text needs a passphrase."""
    return b"BEGIN ENCRYPTED" in key or b"Proc-Type: 4,ENCRYPTED" in key


def _read_keys(
    content: bytes, *, name: str, passphrase: str | None
) -> list[tuple[bytes, PrivateKey]]:
    """Give each key's tidied PEM text and the key.

    An encrypted one is refused without a passphrase: a service has nobody to type it.
    """
    blocks = _blocks(content, name=name)
    texts = [text for label, text in blocks if label.endswith(b"PRIVATE KEY")]
    if not texts:
        raise CallerError("holds 0 private keys", where=name, allowed="one is needed")
    if passphrase is None and any(map(is_encrypted, texts)):
        raise CallerError(
            "the key is encrypted, and nobody is there to type its passphrase",
            where=name,
            allowed="write it unencrypted with mode 0600: openssl pkey -in OLD -out NEW",
        )
    return [(text, _private_key(text, name=name, passphrase=passphrase)) for text in texts]


def _private_key(text: bytes, *, name: str, passphrase: str | None) -> PrivateKey:
    """Give the key of one PEM block; no message repeats a byte of it."""
    word = passphrase.encode() if passphrase is not None and is_encrypted(text) else None
    try:
        key = load_pem_private_key(text, password=word)
    except (ValueError, TypeError, UnsupportedAlgorithm):
        wrong = "the key is damaged or of an unknown kind"
        raise CallerError(
            f"{wrong}, or the passphrase is not its own" if word is not None else wrong, where=name
        ) from None
    if not isinstance(key, _KINDS):
        raise CallerError("the key is of a kind that TLS servers do not use", where=name)
    return key


def _certificate(text: bytes, *, name: str) -> x509.Certificate:
    """Give the certificate of one PEM block."""
    try:
        certificate = x509.load_pem_x509_certificate(text)
        public_bytes(certificate.public_key())
    except (ValueError, TypeError, UnsupportedAlgorithm, x509.InvalidVersion) as error:
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
