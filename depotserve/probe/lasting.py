"""The checks of connections that are used again, and of the rate of a transfer."""

from __future__ import annotations

import time
from typing import TYPE_CHECKING

from depotserve.probe.exchange import Request
from depotserve.probe.finding import Finding, Trouble, Where, fault, passed, unknown

if TYPE_CHECKING:
    from depotserve.probe.exchange import Answer
    from depotserve.probe.message import Head
    from depotserve.probe.visit import Visit

__all__ = ["reuse", "throughput"]

_MOST_REQUESTS = 100_000
_MIB = 1 << 20


def reuse(visit: Visit) -> Finding:
    """Ask twice on one connection with a rest between; one that ends says so beforehand."""
    if visit.file is None:
        return unknown("no file was fetched")
    rest = visit.wish.limits.rest
    visit.client.drop()
    if _ask(visit).head.closes:
        return passed("each connection ends after one answer, and the answer says so")
    if not visit.client.rests(rest):
        return _stale(f"a kept connection was ended within {rest:g} s of rest")
    try:
        _ask(visit)
    except Trouble:
        return _stale("the second request on a kept connection got no answer")
    return passed(f"a second answer on one connection, after {rest:g} s of rest")


def _ask(visit: Visit) -> Answer:
    """Ask by HEAD, without a second try on a new connection."""
    target = visit.file.target if visit.file else ""
    request = Request(
        method="HEAD",
        target=target,
        authorization=visit.authorization(),
        seconds=visit.wish.limits.answer,
    )
    return visit.client.exchange(request, patient=False)


def _stale(how: str) -> Finding:
    return fault(
        f"{how}, and no answer had said so",
        cause="the depot, or a device before it, ends connections that clients keep for later",
        advice="let it keep them for some seconds, or say Connection: close (RFC 9112 section 9.6)",
        where=Where.DEPOT,
        stops=False,
    )


def throughput(visit: Visit) -> Finding:
    """Fetch the file again and again for some seconds."""
    if visit.file is None:
        return unknown("no file was fetched")
    start = time.monotonic()
    end = start + visit.wish.seconds
    size = requests = 0

    def take(_head: Head, piece: bytes) -> bool:
        nonlocal size
        size += len(piece)
        return time.monotonic() < end

    while requests < _MOST_REQUESTS and time.monotonic() < end:
        visit.ask(visit.file.target, take=take, seconds=visit.wish.seconds + 10)
        requests += 1
    took = max(time.monotonic() - start, 1e-6)
    rate = size / took / _MIB
    return passed(f"{rate:.1f} MiB/s over {took:.1f} s, {requests} requests for the file")
