"""The certificates that a server presents, fetched without trusting them."""

from __future__ import annotations

import ssl
from typing import TYPE_CHECKING

import attrs
from cryptography import x509

from depotserve.probe.records import certificates_in
from depotserve.probe.trust import lenient

if TYPE_CHECKING:
    from collections.abc import Callable

    from depotserve.probe.channel import Channel

__all__ = ["Presented", "UnreadableError", "fetch", "of_channel"]

_MOST = 20  # certificates that are looked at


class UnreadableError(Exception):
    """The server's certificate cannot be read."""


@attrs.frozen
class Presented:
    """A server's own certificate and what it sent besides."""

    leaf: x509.Certificate
    others: tuple[x509.Certificate, ...]
    is_whole: bool  # False: there may be others, which this Python cannot see


def fetch(
    connect: Callable[[], Channel], host: str, seconds: float
) -> tuple[Presented, ssl.SSLObject]:
    """Shake hands without verification, send nothing, and give what was presented.

    `connect` opens a connection to the server; a handshake may take so many seconds.

    Raises OSError and UnreadableError. Where the library gives no chain, a second handshake over
    TLS 1.2 shows it, since that has the certificates in clear (RFC 5246 §7.4.2).
    """
    channel = _handshake(connect(), host, seconds, None)
    presented = of_channel(channel)
    tls = _of(channel)
    if presented.is_whole:
        return presented, tls
    try:
        older = of_channel(_handshake(connect(), host, seconds, ssl.TLSVersion.TLSv1_2))
    except (OSError, UnreadableError):
        return presented, tls
    # A server with two chains may have given another one.
    return (older if older.leaf == presented.leaf else presented), tls


def of_channel(channel: Channel) -> Presented:
    """Give what was presented on a connection that has shaken hands."""
    tls = _of(channel)
    whole = _chain(tls) or certificates_in(bytes(channel.recorded))
    leaf = tls.getpeercert(binary_form=True) or b""
    if not whole or whole[0] != leaf:
        return Presented(_read(leaf), (), is_whole=False)
    return Presented(_read(leaf), tuple(map(_read, whole[1:_MOST])), is_whole=True)


def _handshake(
    channel: Channel, host: str, seconds: float, newest: ssl.TLSVersion | None
) -> Channel:
    try:
        channel.allow(seconds)
        channel.secure(lenient(newest=newest), host)
    finally:
        channel.close()
    return channel


def _of(channel: Channel) -> ssl.SSLObject:
    if channel.tls is None:
        raise UnreadableError
    return channel.tls


def _chain(tls: ssl.SSLObject) -> list[bytes]:
    """Give the chain where the library does, from Python 3.13 on."""
    give = getattr(tls, "get_unverified_chain", None)
    return list(give()) if give else []


def _read(der: bytes) -> x509.Certificate:
    try:
        return x509.load_der_x509_certificate(der)
    except ValueError:
        raise UnreadableError from None
