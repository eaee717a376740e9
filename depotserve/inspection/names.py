"""The names and addresses by which clients may come, and which a certificate does not cover."""

from __future__ import annotations

from ipaddress import ip_address
from typing import TYPE_CHECKING

from depotserve import tls
from depotserve.inspection.finding import caution, fine, some
from depotserve.tls.examine import addresses_of, names_of
from depotserve.tls.matching import matches

if TYPE_CHECKING:
    from collections.abc import Iterator

    from cryptography import x509

    from depotserve.inspection.finding import Finding
    from depotserve.inspection.scene import Scene
    from depotserve.tls.names import Host

__all__ = ["uncovered"]

_TOPIC = "certificate"
_WITHOUT_TLS = ("none", "redirect")


def uncovered(scene: Scene, leaves: list[x509.Certificate]) -> Iterator[Finding]:
    """Name hosts by which clients may come and which no certificate covers."""
    hosts = _hosts(scene)
    lacking = [host for host in hosts if not any(_covers(leaf, host) for leaf in leaves)]
    if not lacking:
        return
    named = some(tuple(map(str, lacking)))
    if all(_is_of_loopback(leaf) for leaf in leaves):
        text = f"it is for this machine's own clients alone, and others come by {named}"
        yield caution(
            _TOPIC, text, "depotserve cert issue --host NAME, once for each that clients use"
        )
    else:
        yield fine(_TOPIC, f"clients that come by {named} refuse it: it does not cover that")


def _hosts(scene: Scene) -> list[Host]:
    """Give the names and addresses by which other machines may reach the listeners."""
    found: list[Host] = []
    for one in scene.settings.listeners:
        address = ip_address(one.address)
        if one.tls in _WITHOUT_TLS or address.is_loopback:
            continue
        found += _own_hosts() if address.is_unspecified else [address]
    return list(dict.fromkeys(found))


def _own_hosts() -> list[Host]:
    hosts = map(tls.parse_host, tls.local_names())
    return [host for host in hosts if not _is_loopback(host)]


def _covers(leaf: x509.Certificate, host: Host) -> bool:
    return matches(names_of(leaf), addresses_of(leaf), host)


def _is_of_loopback(leaf: x509.Certificate) -> bool:
    return all(map(_is_loopback, [*names_of(leaf), *addresses_of(leaf)]))


def _is_loopback(host: Host) -> bool:
    return host == "localhost" if isinstance(host, str) else host.is_loopback
