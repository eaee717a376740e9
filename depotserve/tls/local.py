"""The names and addresses under which this machine can be reached."""

from __future__ import annotations

import socket
from contextlib import suppress
from ipaddress import ip_address

from depotserve.errors import CallerError
from depotserve.tls.names import parse_host

__all__ = ["local_names"]

_LOOPBACK = ("localhost", "127.0.0.1", "::1")
_LISTS = ("/proc/net/fib_trie", "/proc/net/if_inet6")
_LONGEST_LIST = 1 << 20  # bytes; machines with thousands of routes exist


def local_names() -> list[str]:
    """Give this machine's host names and addresses, names first, loopback last.

    Link-local addresses are left out, since they hold on one interface only. What cannot be
    found out is left out too; the loopback names always come.
    """
    names = [name for name in (socket.getfqdn(), socket.gethostname()) if not _is_address(name)]
    found = [*names, *_addresses(_read(_LISTS[0]), _read(_LISTS[1])), *_LOOPBACK]
    usable = [host for host in map(_usable, found) if host]
    first = [host for host in usable if host not in _LOOPBACK]
    return list(dict.fromkeys([*first, *_LOOPBACK]))


def _addresses(fib_trie: str, if_inet6: str) -> list[str]:
    """Give the addresses in the kernel's tables (proc(5)) of IPv4 routes and IPv6 interfaces."""
    words = fib_trie.split()
    # A local address is a leaf "|-- 192.0.2.2" followed by "/32 host LOCAL".
    four = [
        words[at - 1]
        for at in range(1, len(words) - 2)
        if words[at] == "/32" and words[at + 1 : at + 3] == ["host", "LOCAL"]
    ]
    six = [str(ip_address(bytes.fromhex(line[:32]))) for line in if_inet6.splitlines()]
    return list(dict.fromkeys([*four, *six]))


def _usable(text: str) -> str:
    """Give a host as a certificate holds it; nothing for what another machine cannot ask for."""
    with suppress(CallerError):
        host = parse_host(text)
        if isinstance(host, str) or not host.is_link_local:
            return str(host)
    return ""


def _is_address(text: str) -> bool:
    """Tell whether a resolver answered with an address instead of a name."""
    with suppress(ValueError):
        ip_address(text)
        return True
    return False


def _read(path: str) -> str:
    """Give the text of a kernel table, or nothing where there is none."""
    with suppress(OSError), open(path, encoding="ascii", errors="replace") as file:
        return file.read(_LONGEST_LIST)
    return ""
