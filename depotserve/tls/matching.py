"""Whether a certificate's names cover the name that a client asked for (RFC 9525 §6)."""

from __future__ import annotations

from ipaddress import IPv4Address, IPv6Address
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterable

    from depotserve.tls.names import Host

__all__ = ["matches"]


def matches(
    dns_names: Iterable[str], addresses: Iterable[IPv4Address | IPv6Address], reference: Host
) -> bool:
    """Tell whether subjectAltName's DNS names and IP addresses cover `reference`.

    `reference` is as `parse_host` gives it. An address is covered by the same address only
    (§6.4), a name by itself in any case or by a pattern whose whole first label is `*` (§6.3).
    The common name never counts (§2). Clients refuse a lone `*`, and so does this.
    """
    if isinstance(reference, (IPv4Address, IPv6Address)):
        return any(reference == address for address in addresses)
    return any(_covers(presented, reference) for presented in dns_names)


def _covers(presented: str, reference: str) -> bool:
    if not presented.isascii():  # an IA5String holds A-labels (RFC 5280 §4.2.1.6)
        return False
    name = presented.lower()
    if not name.startswith("*."):
        return name == reference
    rest = name[2:]
    _, _, parent = reference.partition(".")
    return "*" not in rest and rest == parent
