"""The first check: what the depot's name means here, and which proxies other clients would use."""

from __future__ import annotations

import ipaddress
import socket
import threading
from typing import TYPE_CHECKING
from urllib.parse import urlsplit

from depotserve.probe.finding import Finding, Where, fault, passed, shown

if TYPE_CHECKING:
    from collections.abc import Mapping

    from depotserve.probe.address import Address
    from depotserve.probe.visit import Visit

__all__ = ["name", "proxy", "proxy_words"]

_MOST_NUMBERS = 8
_SECONDS = 15.0  # resolvers ask each server for 5 s, twice or three times


def name(visit: Visit) -> Finding:
    """Resolve the host; an address needs none."""
    address = visit.wish.address
    try:
        visit.numbers = _resolved(str(address.host), address.port)
    except TimeoutError:
        return _slow(address)
    except socket.gaierror as error:
        return _unresolved(address, error)
    if address.is_number:
        return passed(f"{address.host} is an address")
    return passed(f"{address.host} is {', '.join(visit.numbers)}")


def _resolved(host: str, port: int) -> list[str]:
    """Give a host's addresses in the system's order; raise TimeoutError or socket.gaierror.

    The system's resolver cannot be told to give up, so it is asked in a thread that may be left.
    """
    found: list[str] = []
    faults: list[socket.gaierror] = []

    def ask() -> None:
        try:
            rows = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)
            found.extend(dict.fromkeys(str(row[4][0]) for row in rows))
        except (socket.gaierror, UnicodeError) as error:
            faults.append(error if isinstance(error, socket.gaierror) else socket.gaierror())

    thread = threading.Thread(target=ask, daemon=True)
    thread.start()
    thread.join(_SECONDS)
    if faults:
        raise faults[0]
    if not found:
        raise TimeoutError
    return found[:_MOST_NUMBERS]


def _slow(address: Address) -> Finding:
    return fault(
        f"no answer about {address.host} within {_SECONDS:g} s",
        cause="this machine's name servers do not answer",
        advice="check the name servers that this machine is set to ask",
        where=Where.CLIENT,
    )


def _unresolved(address: Address, error: socket.gaierror) -> Finding:
    if error.errno == socket.EAI_AGAIN:
        return fault(
            f"{address.host} cannot be resolved now: no name server answers",
            cause="this machine reaches none of its name servers",
            advice="check the name servers that this machine is set to ask",
            where=Where.CLIENT,
        )
    return fault(
        f"{address.host} is no name that this machine knows",
        cause="it is misspelt, or no name server that this machine asks has it",
        advice=f"enter {address.host} in the name server or in this machine's hosts file",
        where=Where.CLIENT,
    )


def proxy(visit: Visit) -> Finding:
    """Say which proxy other clients on this machine would use; the probe uses none."""
    return passed(proxy_words(visit.wish.address, visit.wish.environment))


def proxy_words(address: Address, environment: Mapping[str, str]) -> str:
    """Say what proxy variables mean for this address; a proxy's passphrase is left out."""
    variables = {key.lower(): value for key, value in sorted(environment.items())}
    named = next(
        (key for key in (f"{address.scheme}_proxy", "all_proxy") if variables.get(key)), None
    )
    if named is None:
        return "no proxy is set here; connected directly"
    proxied = f"{named.upper()} names {_without_user(variables[named])}"
    if _is_excepted(str(address.host), variables.get("no_proxy", "")):
        return f"{proxied}, and NO_PROXY excepts this host; connected directly"
    return f"{proxied}, which other clients here would use; the probe connected directly"


def _without_user(proxy_url: str) -> str:
    try:
        parts = urlsplit(proxy_url if "://" in proxy_url else f"http://{proxy_url}")
        port = f":{parts.port}" if parts.port else ""
    except ValueError:
        return "a proxy"
    return shown(f"{parts.scheme}://{parts.hostname or ''}{port}")


def _is_excepted(host: str, no_proxy: str) -> bool:
    """Tell whether a list of names, domains and networks holds a host, as most clients read it."""
    items = [item.strip().lower() for item in no_proxy.split(",")]
    return any(item and (item == "*" or _covers(item, host)) for item in items)


def _covers(item: str, host: str) -> bool:
    try:
        return ipaddress.ip_address(host) in ipaddress.ip_network(item.strip("[]"), strict=False)
    except ValueError:
        domain = item.lstrip("*.")
        return host == domain or host.endswith(f".{domain}")
