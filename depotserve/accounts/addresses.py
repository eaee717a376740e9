"""What counts as one address for the throttle."""

from __future__ import annotations

import hashlib
import ipaddress

__all__ = ["network_of", "pair_of"]

_IPV6_PREFIX = 64  # RFC 4291 section 2.5.4: one link; a host picks any address in it
UNKNOWN = ""  # no user name is empty: all unknown names of an address share this one


def network_of(address: str) -> str:
    """Give an address as the throttle counts it.

    An IPv4-mapped IPv6 address (RFC 4291 section 2.5.5.2) counts as the IPv4 one, an IPv6 address
    by its /64. What is no address counts as it stands.
    """
    try:
        parsed = ipaddress.ip_address(address.partition("%")[0])
    except ValueError:
        return address
    if isinstance(parsed, ipaddress.IPv4Address):
        return str(parsed)
    if parsed.ipv4_mapped is not None:
        return str(parsed.ipv4_mapped)
    return str(ipaddress.ip_network((parsed, _IPV6_PREFIX), strict=False))


def pair_of(network: str, name: str) -> bytes:
    """Give 16 bytes that stand for a network and a user name ("" for all unknown ones)."""
    message = network.encode("utf-8", "surrogatepass") + b"\0" + name.encode("utf-8")
    return hashlib.blake2b(message, digest_size=16).digest()
