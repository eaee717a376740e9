"""The checks of the server's own certificate: its names, its purpose, its dates."""

from __future__ import annotations

from datetime import datetime, timedelta, timezone
from typing import TYPE_CHECKING, Callable

from depotserve.http.dates import parse_date
from depotserve.probe.exchange import Request
from depotserve.probe.finding import Finding, Trouble, Where, fault, passed, shown, unknown
from depotserve.tls.examine import Flaw, FlawKind, addresses_of, examine_leaf, names_of

if TYPE_CHECKING:
    from depotserve.probe.presented import Presented
    from depotserve.probe.visit import Visit

__all__ = ["TIME", "host_name", "leaf_flaws", "of_clocks", "purpose", "validity"]

_RENEW = timedelta(days=14)  # left; below this a plant's change window may come too late
_MENTION = timedelta(days=30)
_MINUTE = "%Y-%m-%d %H:%M UTC"
TIME = {FlawKind.NOT_YET, FlawKind.EXPIRED}
_PURPOSE = {FlawKind.USAGE, FlawKind.WEAK_KEY, FlawKind.WEAK_SIGNATURE}
_NAME = {FlawKind.NO_NAME, FlawKind.NAME}


def host_name(visit: Visit) -> Finding:
    """Check that subjectAltName covers the host of the address (RFC 9525 §6)."""
    host = visit.wish.address.host
    names = shown(_names(visit))
    flaw = _first(visit, _NAME)
    if flaw is None:
        return passed(f"covers {host} (it has {names})")
    kind = "IP address" if visit.wish.address.is_number else "DNS name"
    return fault(
        f"wrong name: {flaw.text}; it has {names or 'none'}",
        cause="clients ask for the depot by a name or address that it was not issued for",
        advice=f"have a certificate issued that has {host} as {kind} in its subjectAltName",
        where=Where.DEPOT,
        stops=not visit.is_verified,
    )


def _names(visit: Visit) -> str:
    leaf = visit.presented.leaf if visit.presented else None
    return ", ".join(map(str, [*names_of(leaf), *addresses_of(leaf)])) if leaf else ""


def purpose(visit: Visit) -> Finding:
    """Check that the certificate is a server's, and strong enough."""
    flaw = _first(visit, _PURPOSE)
    if flaw is None:
        return passed("a server's, with a key and signature that clients take")
    wrong = "wrong purpose: " if flaw.kind is FlawKind.USAGE else ""
    return fault(
        f"{wrong}{flaw.text}",
        cause="it was issued for another use, or long ago",
        advice="have a certificate issued for a TLS server (serverAuth), with a key of today",
        where=Where.DEPOT,
        stops=not visit.is_verified,
    )


def validity(visit: Visit) -> Finding:
    """Check the certificate's dates against this machine's clock."""
    flaw = _first(visit, TIME)

    def fits(now: datetime) -> bool:
        return not any(one.kind in TIME for one in leaf_flaws(visit, now))

    if flaw is not None:
        seen = f"{flaw.kind.value}: {flaw.text}"
        return of_clocks(visit, seen, fits) or _TIMES[flaw.kind](visit, flaw)
    if visit.presented is None:
        return unknown("no certificate was seen", stops=True)
    return _remaining(visit, visit.presented)


def _remaining(visit: Visit, presented: Presented) -> Finding:
    end = presented.leaf.not_valid_after_utc
    left = end - visit.now
    if left < _RENEW:
        return fault(
            f"ends in {left.days} days, on {end:{_MINUTE}}",
            cause="nobody has renewed it yet",
            advice="renew the depot's certificate",
            where=Where.DEPOT,
            stops=False,
        )
    soon = "; renew it soon" if left < _MENTION else ""
    return passed(f"good for {left.days} days, until {end:{_MINUTE}}{soon}")


def of_clocks(visit: Visit, seen: str, fits: Callable[[datetime], bool]) -> Finding | None:
    """Blame the clocks, if dates that do not fit this machine's fit the depot's own.

    That one is told over a connection that is not verified, which nothing but words goes by.
    """
    then = _depot_time(visit)
    if then is None or not fits(then):
        return None
    which = "behind" if then > visit.now else "ahead of"
    return fault(
        seen,
        cause=f"this machine's clock is {which} the depot's, which says {then:{_MINUTE}}",
        advice="compare both (date -u) with a clock that you trust, and set the wrong one",
        where=Where.CLIENT,
        stops=not visit.is_verified,
    )


def _depot_time(visit: Visit) -> datetime | None:
    address = visit.wish.address
    request = Request(method="HEAD", target=address.base, seconds=visit.wish.limits.answer)
    try:
        value = visit.client.exchange(request).head.get("date") or ""
    except Trouble:
        return None
    seconds = parse_date(value, visit.now.timestamp())
    return None if seconds is None else datetime.fromtimestamp(seconds, timezone.utc)


def _not_yet(visit: Visit, flaw: Flaw) -> Finding:
    return fault(
        f"not yet valid: {flaw.text}",
        cause="this machine's clock is behind, or it was issued by one whose clock is ahead",
        advice="compare this machine's clock (date -u) with one that you trust, and set it",
        where=Where.CLIENT,
        stops=not visit.is_verified,
    )


def _expired(visit: Visit, flaw: Flaw) -> Finding:
    return fault(
        f"expired: {flaw.text}",
        cause="nobody has renewed it; or this machine's clock is ahead",
        advice="renew the depot's certificate",
        where=Where.DEPOT,
        stops=not visit.is_verified,
    )


_TIMES: dict[FlawKind, Callable[[Visit, Flaw], Finding]] = {
    FlawKind.NOT_YET: _not_yet,
    FlawKind.EXPIRED: _expired,
}


def _first(visit: Visit, kinds: set[FlawKind]) -> Flaw | None:
    return next((flaw for flaw in leaf_flaws(visit) if flaw.kind in kinds), None)


def leaf_flaws(visit: Visit, now: datetime | None = None) -> list[Flaw]:
    """Give all for which a client refuses the certificate itself; `now` is else this machine's."""
    if visit.presented is None:
        return []
    return examine_leaf(visit.presented.leaf, now=now or visit.now, hosts=[visit.wish.address.host])
