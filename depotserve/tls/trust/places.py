"""Where clients find a depot: a name and an IP address that its certificate vouches for."""

from __future__ import annotations

from ipaddress import IPv6Address
from typing import TYPE_CHECKING

from depotserve.errors import CallerError

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence
    from ipaddress import IPv4Address

    from depotserve.config import Listener

__all__ = ["places"]

_UNKNOWN_PORT = "PORT"  # what stands for a port that the depot finds when it starts
_NOT_TLS = ("none", "redirect")


def places(
    names: Iterable[str],
    addresses: Iterable[IPv4Address | IPv6Address],
    listeners: Sequence[Listener],
) -> tuple[str, ...]:
    """Give `host:port` as addresses have it: one by name and one by IP address, if there are.

    `names` and `addresses` are those of subjectAltName. What is known on the depot's own machine
    only comes last; HOST stands for the star of a pattern. Raises CallerError if no listener
    speaks TLS.
    """
    port = _port(listeners)
    name = sorted(names, key=lambda one: (one == "localhost", "*" in one))[:1]
    number = sorted(addresses, key=lambda one: (one.is_loopback, one.version))[:1]
    hosts = [one.replace("*", "HOST") for one in name] + [_written(one) for one in number]
    return tuple(f"{host}:{port}" for host in hosts)


def _port(listeners: Sequence[Listener]) -> str:
    """Give the port of the first listener that speaks TLS, the default kind before another."""
    secure = [one for one in listeners if one.tls not in _NOT_TLS]
    if not secure:
        raise CallerError(
            "no listener speaks TLS, so that there is nothing to trust",
            where="depot.yaml",
            allowed="a listener with tls: modern is needed",
        )
    first = min(secure, key=lambda one: one.tls != "modern")
    return str(first.port) if first.port else _UNKNOWN_PORT


def _written(address: IPv4Address | IPv6Address) -> str:
    """Write an address as RFC 3986 §3.2.2 wants it before a port."""
    return f"[{address}]" if isinstance(address, IPv6Address) else str(address)
