"""The checks at the door: the first answer, redirects, the clock, the password."""

from __future__ import annotations

import re
import time
from typing import TYPE_CHECKING

import attrs

from depotserve.http.dates import parse_date
from depotserve.probe import troubles
from depotserve.probe.exchange import Request, up_to
from depotserve.probe.finding import Finding, Trouble, Where, fault, passed, shown, unknown
from depotserve.probe.handshake import speaks_tls
from depotserve.probe.visit import refuse_troubles

if TYPE_CHECKING:
    from depotserve.probe.message import Head
    from depotserve.probe.visit import Visit

__all__ = ["answer", "challenge", "clock", "redirects", "refusal", "signing_in"]

_MOST_SKEW = 300  # seconds; the customary limit of protocols that go by the clock (RFC 4120 §1.6)
_DAY = 86400
_LONGEST_CHALLENGE = 4096  # characters; quotes that never end take their square to look through
_QUOTED = re.compile(r'"(?:[^"\\]|\\.)*"')
# A scheme stands alone or before its first parameter; of a parameter, "=" follows the name.
_SCHEME = re.compile(r"([^\s=]+)(?:\s+[^\s=]|$)")
_BEGINNING = 1 << 16  # bytes of a body of which only the status matters


def answer(visit: Visit) -> Finding:
    """Ask for the base address without a passphrase."""
    request = _bare(visit)
    try:
        visit.first = visit.client.exchange(request)
    except Trouble:
        if not visit.wish.address.is_tls and (version := speaks_tls(visit)):
            return _is_tls(visit, version)
        raise
    # Some servers say by 400 in clear text that they want TLS.
    if visit.first.status == 400 and not visit.wish.address.is_tls and (v := speaks_tls(visit)):
        return _is_tls(visit, v)
    refuse_troubles(request.target, visit.first)
    server = visit.first.head.get("server")
    by = f" from {shown(server)}" if server else ""
    took = visit.first.seconds * 1000
    return passed(f"HTTP/1.{visit.first.head.minor} {visit.first.status}{by} after {took:.0f} ms")


def _bare(visit: Visit) -> Request:
    address = visit.wish.address
    target = address.base if visit.wish.file is None else address.join(visit.wish.file)
    return Request(target=target, seconds=visit.wish.limits.answer, take=up_to(_BEGINNING))


def _is_tls(visit: Visit, version: str) -> Finding:
    address = visit.wish.address
    return fault(
        f"port {address.port} speaks TLS ({version}), not plain HTTP",
        cause="the address begins with http:// and names the TLS port",
        advice=f"ask for https://{address.host}:{address.port}{address.base}",
        where=Where.CLIENT,
    )


def redirects(visit: Visit) -> Finding:
    """Follow redirects within the depot; one that leads away is a fault."""
    before = visit.first
    target, visit.first = visit.follow(_bare(visit))
    if before is not None and before.status == visit.first.status:
        return passed("none")
    return passed(f"within the depot, to {shown(target)}")


def clock(visit: Visit) -> Finding:
    """Compare this machine's clock with the Date of the answer (RFC 9110 §6.6.1)."""
    value = visit.first.head.get("date") if visit.first else None
    date = None if value is None else parse_date(value, time.time())
    if date is None or visit.first is None:
        return unknown("the answer has no Date that can be read")
    skew = round(date + _age(visit.first.head) - time.time())
    if abs(skew) <= _MOST_SKEW:
        return passed(f"the depot's is {_off(skew)} this machine's")
    return fault(
        f"the depot's clock is {_off(skew)} this machine's",
        cause=f"one of the two is wrong by {_span(abs(skew))}",
        advice="compare both (date -u) with a clock that you trust, and set the wrong one",
        where=Where.CLIENT,
        stops=False,
    )


def _age(head: Head) -> int:
    """Give the seconds for which a cache on the way has kept an answer (RFC 9111 §5.1)."""
    value = head.get("age") or ""
    return int(value) if re.fullmatch("[0-9]{1,9}", value) else 0


def _off(skew: int) -> str:
    return f"{abs(skew)} s {'ahead of' if skew > 0 else 'behind'}" if skew else "the same as"


def _span(seconds: int) -> str:
    days = seconds / _DAY
    return f"{days:.0f} days" if days >= 2 else f"{seconds / 60:.0f} minutes"


def challenge(visit: Visit) -> Finding:
    """Look whether and how the depot asks for a password (RFC 9110 §11.6.1)."""
    first = visit.first
    if first is None:
        return unknown("no answer was seen", stops=True)
    if first.status != 401:
        return passed(f"none: {first.status} without a password")
    asked = first.head.get("www-authenticate") or ""
    if not _offers_basic(asked):
        return _no_basic(asked)
    visit.asks_for_password = True
    return passed(shown(asked))


def _offers_basic(value: str) -> bool:
    """Tell whether one of the challenges is Basic, in any case (RFC 7617 §2)."""
    parts = _QUOTED.sub('""', value[:_LONGEST_CHALLENGE]).split(",")
    schemes = [match[1].lower() for part in parts if (match := _SCHEME.match(part.strip()))]
    return "basic" in schemes


def _no_basic(asked: str) -> Finding:
    offered = f"only {shown(asked)}" if asked else "no way to sign in (no WWW-Authenticate)"
    return fault(
        f"401 that offers {offered}",
        cause="the depot, or what stands before it, wants another way to sign in than Basic",
        advice="let it take a user name and password (RFC 7617) there",
        where=Where.DEPOT,
    )


def refusal(visit: Visit) -> Finding:
    """See that a wrong passphrase, of a user whom nobody knows, is refused."""
    if not visit.asks_for_password:
        return passed("not needed: no password is asked for")
    if visit.why_no_secret:
        return unknown(f"not tried: {visit.why_no_secret}")
    request = attrs.evolve(_bare(visit), authorization=visit.wrong_authorization())
    target, got = visit.final(request)
    if got.status >= 500:
        raise troubles.unable(target, got.head)
    if got.status in {401, 403, 429}:
        return passed(f"a wrong passphrase gets {got.status}")
    return fault(
        f"a wrong passphrase gets {got.status}, not 401",
        cause="passwords are asked for and not checked",
        advice="look at the depot's users and who may read this folder",
        where=Where.DEPOT,
        stops=False,
    )


def signing_in(visit: Visit) -> Finding:
    """See that the right passphrase lets in."""
    wish = visit.wish
    if not visit.asks_for_password:
        return passed("not needed: no password is asked for")
    if wish.user is None:
        return unknown("the depot asks for a password, and no --user is given", stops=True)
    if visit.why_no_secret:
        return unknown(f"no passphrase was sent: {visit.why_no_secret}", stops=True)
    _, got = visit.follow(attrs.evolve(_bare(visit), authorization=visit.authorization()))
    if got.status != 401:
        return passed(f"{wish.user} is let in ({got.status})")
    return fault(
        f"the passphrase of {wish.user} is refused (401)",
        cause=f"user name or passphrase is not what the depot knows{_oddity(wish.passphrase)}",
        advice=f"have {wish.user}'s passphrase set anew, or have it tried on the depot's own box",
        where=Where.DEPOT,
    )


def _oddity(passphrase: str | None) -> str:
    """Name what makes passphrases go wrong, without a character of this one."""
    if passphrase and passphrase != passphrase.strip():
        return "; the one given begins or ends with a blank"
    if passphrase and not passphrase.isascii():
        return "; the one given has characters beyond ASCII, which some servers read otherwise"
    return ""
