"""The check of TCP: whether the depot's port takes a connection, and why not."""

from __future__ import annotations

import errno
import time
from typing import TYPE_CHECKING, Callable

from depotserve.probe.finding import Finding, Where, fault, passed

if TYPE_CHECKING:
    from depotserve.probe.visit import Visit

__all__ = ["connection"]


def connection(visit: Visit) -> Finding:
    """Connect to the first of the depot's addresses that answers."""
    failed: list[tuple[str, OSError]] = []
    for number in visit.numbers:
        visit.number = number
        start = time.monotonic()
        try:
            visit.connect().close()
        except OSError as error:
            failed.append((number, error))
            continue
        took = (time.monotonic() - start) * 1000
        return passed(f"{_spoken(visit)} answers after {took:.0f} ms{_besides(failed)}")
    visit.number, reason = failed[0]
    return _explained(visit, reason)


def _besides(failed: list[tuple[str, OSError]]) -> str:
    """Name addresses of the same host that do not work, for which clients wait."""
    if not failed:
        return ""
    return f"; {', '.join(number for number, _ in failed)} does not, and clients may wait for it"


def _explained(visit: Visit, error: OSError) -> Finding:
    if isinstance(error, TimeoutError):
        return _silent(visit, error)
    return _WORDS.get(error.errno or 0, _other)(visit, error)


def _spoken(visit: Visit) -> str:
    return f"{visit.number} port {visit.wish.address.port}"


def _refused(visit: Visit, _error: OSError) -> Finding:
    return fault(
        f"{_spoken(visit)} refuses connections: the port is closed",
        cause="the depot is not started, listens on another port or address, or is walled off",
        advice=f"see that the depot runs and listens on port {visit.wish.address.port}",
        where=Where.DEPOT,
    )


def _no_route(visit: Visit, error: OSError) -> Finding:
    return fault(
        f"no route to {visit.number} ({error.strerror})",
        cause="this machine has no way to the depot's network, or a router on the way has none",
        advice=f"check this machine's address and its route: ip route get {visit.number}",
        where=Where.CLIENT,
    )


def _silent(visit: Visit, _error: OSError) -> Finding:
    seconds = visit.wish.limits.connect
    return fault(
        f"{_spoken(visit)} does not answer within {seconds:g} s",
        cause="a firewall drops what is sent, the machine is off, or the address is another's",
        advice=f"let the firewalls between pass port {visit.wish.address.port} to the depot",
        where=Where.DEPOT,
    )


def _forbidden(visit: Visit, error: OSError) -> Finding:
    return fault(
        f"this machine does not let the probe connect to {_spoken(visit)} ({error.strerror})",
        cause="a rule of this machine's own firewall or routing forbids it",
        advice=f"let this machine's rules pass connections to {_spoken(visit)}",
        where=Where.CLIENT,
    )


def _reset(visit: Visit, _error: OSError) -> Finding:
    return fault(
        f"{_spoken(visit)} takes connections and resets them at once",
        cause="a firewall or another device before the depot cuts, or the service there is failing",
        advice=f"look in the depot's log at this time, and at what listens on {_spoken(visit)}",
        where=Where.DEPOT,
    )


def _other(visit: Visit, error: OSError) -> Finding:
    return fault(
        f"no connection to {_spoken(visit)}: {error.strerror or type(error).__name__}",
        cause="this machine's network is not set up for it",
        advice="check this machine's network",
        where=Where.CLIENT,
    )


_WORDS: dict[int, Callable[[Visit, OSError], Finding]] = {
    errno.ECONNREFUSED: _refused,
    errno.ECONNRESET: _reset,
    errno.ENETUNREACH: _no_route,
    errno.EHOSTUNREACH: _no_route,
    errno.ENETDOWN: _no_route,
    errno.EADDRNOTAVAIL: _no_route,
    errno.ETIMEDOUT: _silent,
    errno.EACCES: _forbidden,
    errno.EPERM: _forbidden,
}
