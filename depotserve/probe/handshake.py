"""The check of the TLS handshake: version and cipher, or what answers instead of it."""

from __future__ import annotations

import ssl
from typing import TYPE_CHECKING

from depotserve.probe import presented
from depotserve.probe.finding import Finding, Where, fault, passed
from depotserve.probe.records import alert_in, asks_for_certificate, looks_like_tls
from depotserve.probe.trust import lenient

if TYPE_CHECKING:
    from depotserve.probe.channel import Channel
    from depotserve.probe.visit import Visit

__all__ = ["handshake", "speaks_tls"]

_NEEDED = ("TLSv1.2", "TLSv1.3")  # RFC 9325 §3.1.1
_LONGEST_FIRST = 64
# RFC 8446 §6: the alerts with which servers refuse a handshake.
_ALERTS = {
    40: "handshake_failure: no cipher or key that both sides know",
    70: "protocol_version: it knows no version that this machine allows",
    71: "insufficient_security: it wants stronger ciphers",
    80: "internal_error: it has a fault, often no usable certificate",
    112: "unrecognized_name: it serves no such host name",
    116: "certificate_required: it wants a client's certificate",
    120: "no_application_protocol: it does not speak HTTP/1.1",
}


def handshake(visit: Visit) -> Finding:
    """Shake hands with verification, and where that fails find out what is there."""
    channel = None
    try:
        channel = visit.connect()
        channel.allow(visit.wish.limits.handshake)
        channel.secure(visit.wish.trust.context, visit.host)
        visit.presented = presented.of_channel(channel)
    except ssl.SSLCertVerificationError as error:
        visit.refusal = error.verify_message
        return _unverified(visit)
    except presented.UnreadableError:
        return _unreadable()
    except OSError as error:
        return _failed(visit, error, bytes(channel.recorded) if channel else b"")
    finally:
        if channel is not None:
            channel.close()
    visit.is_verified = True
    return passed(_spoken(channel.tls))


def _spoken(tls: ssl.SSLObject | None) -> str:
    cipher = tls.cipher() if tls else None
    return f"{tls.version() if tls else ''}, {cipher[0] if cipher else 'no cipher'}"


def _unverified(visit: Visit) -> Finding:
    try:
        visit.presented, tls = presented.fetch(
            visit.connect, visit.host, visit.wish.limits.handshake
        )
    except presented.UnreadableError:
        return _unreadable()
    except OSError as error:
        return _failed(visit, error, b"")
    return passed(_spoken(tls))


def _failed(visit: Visit, error: OSError, received: bytes) -> Finding:
    """Say why no TLS came about, from the most certain reason to the least."""
    if received.startswith(b"HTTP/") or (not looks_like_tls(received) and _speaks_http(visit)):
        return _plain(visit)
    old = _old_version(visit) if looks_like_tls(received) or not received else ""
    if old:
        return _too_old(old)
    alert = alert_in(received)
    if alert is not None and asks_for_certificate(received):
        return _wants_certificate(alert)
    if alert is not None:
        return _alerted(alert)
    if received and not looks_like_tls(received):
        return _no_tls(visit, received)
    return _broken(visit, error)


def _speaks_http(visit: Visit) -> bool:
    """Ask in clear text for nothing in particular; tell whether HTTP answers."""
    request = (
        f"HEAD / HTTP/1.1\r\nHost: {visit.wish.address.authority}\r\nConnection: close\r\n\r\n"
    )
    try:
        channel = visit.connect()
    except OSError:
        return False
    try:
        channel.allow(visit.wish.limits.handshake)
        channel.send(request.encode("ascii"))
        return _first(channel).startswith(b"HTTP/")
    except OSError:
        return False
    finally:
        channel.close()


def _first(channel: Channel) -> bytes:
    first = b""
    while len(first) < len(b"HTTP/") and (piece := channel.receive()):
        first += piece
    return first


def speaks_tls(visit: Visit) -> str:
    """Shake hands with any version and certificate; give the version, nothing if that fails."""
    try:
        channel = visit.connect()
    except OSError:
        return ""
    try:
        channel.allow(visit.wish.limits.handshake)
        channel.secure(lenient(), visit.host)
        return (channel.tls.version() if channel.tls else None) or ""
    except OSError:
        return ""
    finally:
        channel.close()


def _old_version(visit: Visit) -> str:
    version = speaks_tls(visit)
    return version if version not in _NEEDED else ""


def _plain(visit: Visit) -> Finding:
    port = visit.wish.address.port
    return fault(
        f"port {port} answers in plain HTTP, not in TLS",
        cause="the address names the plain port, or TLS is not switched on there",
        advice=f"switch on TLS on port {port}, or give clients the port that has it",
        where=Where.DEPOT,
    )


def _too_old(version: str) -> Finding:
    return fault(
        f"it speaks {version} and neither TLS 1.2 nor 1.3",
        cause="the server, or a device before it, is old or set to old versions only",
        advice="switch on TLS 1.2 there",
        where=Where.DEPOT,
    )


def _alerted(alert: int) -> Finding:
    return fault(
        f"it refuses the handshake: alert {alert} ({_ALERTS.get(alert, 'RFC 8446 section 6')})",
        cause="its TLS settings and this machine's have nothing in common",
        advice="look at its TLS versions, ciphers and certificate, and in its log at this time",
        where=Where.DEPOT,
    )


def _wants_certificate(alert: int) -> Finding:
    return fault(
        f"it asks for a client's certificate and goes no further without one: alert {alert}",
        cause="the server, or a device before it, knows clients by certificates of their own",
        advice="let it take clients without a certificate, which sign in by a passphrase",
        where=Where.DEPOT,
    )


def _no_tls(visit: Visit, received: bytes) -> Finding:
    port = visit.wish.address.port
    return fault(
        f"port {port} answers with something that is not TLS: {received[:_LONGEST_FIRST]!r}",
        cause="another service listens there",
        advice=f"look what listens on port {port}, and give clients the depot's port",
        where=Where.DEPOT,
    )


def _broken(visit: Visit, error: OSError) -> Finding:
    if isinstance(error, TimeoutError):
        how = f"no TLS handshake within {visit.wish.limits.handshake:g} s"
    else:
        reason = getattr(error, "reason", None) or error.strerror or type(error).__name__
        how = f"the TLS handshake broke off ({reason})"
    return fault(
        how,
        cause="the server has no usable certificate, is overloaded, or a device on the way cuts",
        advice="look in the depot's log at this time",
        where=Where.DEPOT,
    )


def _unreadable() -> Finding:
    return fault(
        "the server's certificate cannot be read",
        cause="it is damaged or of an unknown form",
        advice="have a new certificate issued for the depot",
        where=Where.DEPOT,
    )
