"""What the bytes of a TLS handshake say that the library does not tell."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterator

__all__ = ["alert_in", "asks_for_certificate", "certificates_in", "looks_like_tls"]

_KINDS = range(20, 24)  # RFC 8446 §5.1: change_cipher_spec, alert, handshake, application_data
_ALERT, _HANDSHAKE = 21, 22
_CERTIFICATE, _CERTIFICATE_REQUEST = 11, 13
_LONGEST_RECORD = (1 << 14) + 2048  # RFC 5246 §6.2.3
_LONGEST_MESSAGE = 1 << 17  # far more than clients take of a chain


def looks_like_tls(received: bytes) -> bool:
    """Tell whether bytes begin with a record of TLS (or SSL 3)."""
    return len(received) >= 2 and received[0] in _KINDS and received[1] == 3


def alert_in(received: bytes) -> int | None:
    """Give the first alert's description (RFC 8446 §6) that stands in clear; None for none."""
    for kind, content in _records(received):
        if kind == _ALERT and len(content) == 2:
            return content[1]
    return None


def certificates_in(received: bytes) -> list[bytes]:
    """Give each certificate (DER) of a TLS 1.2 server's Certificate message (RFC 5246 §7.4.2).

    Gives none where there is no such message, or none that is whole and well formed; never raises.
    """
    for kind, length, body in _messages(received):
        if kind == _CERTIFICATE:
            return _listed(body, length)
    return []


def asks_for_certificate(received: bytes) -> bool:
    """Tell whether a TLS 1.2 server asks for a client's certificate (RFC 5246 §7.4.4)."""
    return any(kind == _CERTIFICATE_REQUEST for kind, _, _ in _messages(received))


def _messages(received: bytes) -> Iterator[tuple[int, int, bytes]]:
    """Give kind, length and body, which may be cut off, of each handshake message in clear."""
    stream = b"".join(content for kind, content in _records(received) if kind == _HANDSHAKE)
    at = 0
    while at + 4 <= len(stream):
        kind, length = stream[at], int.from_bytes(stream[at + 1 : at + 4], "big")
        if length > _LONGEST_MESSAGE:
            return
        yield kind, length, stream[at + 4 : at + 4 + length]
        at += 4 + length


def _listed(body: bytes, length: int) -> list[bytes]:
    if len(body) != length or length < 3 or int.from_bytes(body[:3], "big") != length - 3:
        return []
    found, at = [], 3
    while at < length:
        size = int.from_bytes(body[at : at + 3], "big")
        at += 3 + size
        if at > length or not size:
            return []
        found.append(body[at - size : at])
    return found


def _records(received: bytes) -> Iterator[tuple[int, bytes]]:
    """Give kind and content of each whole record at the beginning."""
    at = 0
    while looks_like_tls(received[at : at + 5]) and at + 5 <= len(received):
        length = int.from_bytes(received[at + 3 : at + 5], "big")
        content = received[at + 5 : at + 5 + length]
        if length > _LONGEST_RECORD or len(content) != length:
            return
        yield received[at], content
        at += 5 + length
