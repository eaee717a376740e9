"""The checks of connections that are used again, and of the rate of a transfer."""

from __future__ import annotations

import time
from typing import TYPE_CHECKING

from depotserve.probe.channel import Rest
from depotserve.probe.exchange import Request
from depotserve.probe.finding import Finding, Throttled, Trouble, Where, fault, passed, unknown

if TYPE_CHECKING:
    from depotserve.probe.exchange import Answer
    from depotserve.probe.message import Head
    from depotserve.probe.visit import Visit

__all__ = ["reuse", "throughput"]

_MOST_REQUESTS = 100_000
_MOST_OF_SMALL = 100  # requests for a file that tells no rate, so that they are no burden
_LEAST = 1 << 16  # bytes; of a smaller file the waiting for each answer is measured
_MIB = 1 << 20


def reuse(visit: Visit) -> Finding:
    """Ask twice on one connection with a rest between; one that ends says so beforehand."""
    if visit.file is None:
        return unknown("no file was fetched")
    rest = visit.wish.limits.rest
    visit.client.drop()
    if _ask(visit).head.closes:
        return passed("each connection ends after one answer, and the answer says so")
    became = visit.client.rest(rest)
    if became is Rest.SPOKE:
        return _too_much()
    if became is Rest.ENDED:
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


def _too_much() -> Finding:
    return fault(
        "after the answer to HEAD come bytes that nobody asked for",
        cause="the server sends a body with it; clients take that for their next answer",
        advice="let it answer HEAD without a body (RFC 9110 section 9.3.2)",
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
        try:
            visit.ask(visit.file.target, take=take, seconds=visit.wish.seconds + 10)
        except Throttled:
            return unknown(f"not measured: after {requests} requests the depot wants fewer (429)")
        requests += 1
        if requests >= _MOST_OF_SMALL and size < _LEAST * requests:
            break
    took = max(time.monotonic() - start, 1e-6)
    how = f"over {took:.1f} s, {requests} requests for the file"
    if size < _LEAST * requests:
        return passed(f"the file is too small to tell a rate: {how}")
    return passed(f"{size / took / _MIB:.1f} MiB/s {how}")
