"""Whose request it is, as an address: the peer's, or the one that a trusted proxy names."""

from __future__ import annotations

from functools import lru_cache
from ipaddress import IPv4Address, IPv4Network, IPv6Address, IPv6Network, ip_address
from typing import Union

__all__ = ["client_address"]

Address = Union[IPv4Address, IPv6Address]
Networks = tuple[Union[IPv4Network, IPv6Network], ...]

_MOST_HOPS = 64


def client_address(peer: str, forwarded: str | None, trusted: Networks) -> str:
    """Give the address that counts for `peer`, as text.

    `forwarded` is the X-Forwarded-For field, which any client can send: it counts only when
    the peer itself is in `trusted`, and then from the right, up to the first hop that is not
    trusted (compare RFC 7239 §8.1). An entry that is no address ends the walk at the hop
    before it. An IPv4-mapped IPv6 address is given as the IPv4 address.
    """
    current = _address(peer)
    if current is None:
        return peer
    if forwarded and trusted:
        for hop in reversed(forwarded.split(",")[-_MOST_HOPS:]):
            if not _within(current, trusted):
                break
            following = _address(hop.strip(" \t"))
            if following is None:
                break
            current = following
    return str(current)


@lru_cache(maxsize=4096)
def _address(text: str) -> Address | None:
    try:
        address = ip_address(text.partition("%")[0])
    except ValueError:
        return None
    mapped = getattr(address, "ipv4_mapped", None)
    return mapped if mapped is not None else address


def _within(address: Address, networks: Networks) -> bool:
    return any(address in network for network in networks if network.version == address.version)
