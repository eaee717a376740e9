"""Certificates and keys out of a file in whatever shape an authority hands it back."""

from __future__ import annotations

import base64
import binascii
import re
from typing import TYPE_CHECKING

from cryptography.hazmat.primitives.serialization import load_pem_private_key

from depotserve.errors import CallerError
from depotserve.tls.der import FAULTS, Source, TakenIn, length_of, read_der

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from cryptography.hazmat.primitives.asymmetric.types import PrivateKeyTypes

__all__ = ["TakenIn", "take_in"]

# How a text of another encoding begins -> its codec. DER begins with 0x30 and with none of these.
_ENCODINGS = (
    (b"\xff\xfe", "utf-16"),
    (b"\xfe\xff", "utf-16"),
    (b"-\x00", "utf-16-le"),
    (b"\x00-", "utf-16-be"),
    (b"\xef\xbb\xbf", "utf-8-sig"),
)
# RFC 7468 §3. The label's end may stand glued to the base64 text, and one block to the next.
_BLOCK = re.compile(
    rb"-----BEGIN ([A-Z0-9 ]{1,40})-----((?:(?!-----).)*)-----END \1-----", re.DOTALL
)
_BOUNDARY = re.compile(rb"-----(BEGIN|END) ")
# RFC 4648 §4, of what begins as DER does, with the octet 0x30; its blanks are taken out first.
_BASE64 = re.compile(rb"M[A-P][A-Za-z0-9+/]+={0,2}")
_READ = re.compile(rb".*(CERTIFICATE|PRIVATE KEY|REQUEST|PKCS7|CMS|PKCS12)")
_OLD_ENCRYPTION = b"Proc-Type: 4,ENCRYPTED"  # RFC 1421 §4.6.1.1


def take_in(content: bytes, *, name: str, passphrase: str | None = None) -> TakenIn:
    """Give the certificates and private keys that a file holds.

    It may be PEM text (RFC 7468) in any order, with text around the blocks, in UTF-8 or UTF-16
    and with any line ends; DER; base64 of DER without armour; and within those a certificate,
    PKCS #7 (RFC 2315), PKCS #12 (RFC 7292), or a key, which `passphrase` opens if it is
    encrypted. `name` says in messages which file is meant.
    Raises CallerError for what is damaged, of no known shape, or encrypted under another
    passphrase. What PEM text holds besides (parameters, public keys) is passed over.
    """
    source = Source(name, passphrase)
    if not content.strip(b"\x00 \t\r\n"):
        raise CallerError("is empty", where=name)
    if _looks_like_der(content):
        return read_der(content, source)
    text = _as_plain_text(content)
    if _BOUNDARY.search(text):
        return _joined(_of_block(label, body, source) for label, body in _blocks(text, name))
    if _BASE64.fullmatch(b"".join(text.split())):
        return read_der(_decode(text, source), source)
    raise CallerError(
        "holds no certificate and no key in any known form",
        where=name,
        allowed="PEM, DER, PKCS #7 or PKCS #12",
    )


def _joined(parts: Iterable[TakenIn]) -> TakenIn:
    return sum(parts, TakenIn())


def _as_plain_text(content: bytes) -> bytes:
    """Give a text's bytes with whatever is not ASCII, which no block needs, made harmless."""
    codec = next((codec for mark, codec in _ENCODINGS if content.startswith(mark)), "utf-8")
    return content.decode(codec, "replace").encode("ascii", "replace")


def _blocks(text: bytes, name: str) -> Iterator[tuple[bytes, bytes]]:
    """Give label and body of each PEM block; raise CallerError unless all are whole."""
    around = _BLOCK.sub(b"\n", text)
    left = _BOUNDARY.search(around)
    if left:
        line = around[left.start() :].splitlines()[0][:60].decode("ascii")
        raise CallerError(
            f"is cut short or damaged: the line {line!r} has no counterpart", where=name
        )
    for block in _BLOCK.finditer(text):
        yield block[1], block[2]


def _of_block(label: bytes, body: bytes, source: Source) -> TakenIn:
    """Read one PEM block by what is in it; labels are often wrong (PKCS #7 as CERTIFICATE)."""
    if not _READ.fullmatch(label):
        return TakenIn()
    if _OLD_ENCRYPTION in body:
        return TakenIn(keys=(_open_old(label, body, source),))
    content = _decode(body, source)
    # After a "trusted" certificate stands what its owner trusts it for.
    whole = content[: length_of(content) or None] if b"TRUSTED" in label else content
    return read_der(whole, source)


def _decode(text: bytes, source: Source) -> bytes:
    try:
        return base64.b64decode(b"".join(text.split()), validate=True)
    except binascii.Error:
        raise source.damaged("a block") from None


def _open_old(label: bytes, body: bytes, source: Source) -> PrivateKeyTypes:
    """Open a key whose encryption stands in lines before it (RFC 1421)."""
    lines = [line.strip() for line in body.strip().splitlines()]
    text = b"\n".join([b"-----BEGIN %b-----" % label, *lines, b"-----END %b-----\n" % label])
    try:
        return load_pem_private_key(text, source.word)
    except FAULTS:
        raise source.locked("the key") from None


def _looks_like_der(content: bytes) -> bool:
    """Tell whether it begins as DER's SEQUENCE does and as no text, and is as long as it says."""
    length = length_of(content)
    if length is None:
        return content[:1] == b"\x30" and b"\x00" in content and not _BOUNDARY.search(content)
    return not content[length:].strip()
