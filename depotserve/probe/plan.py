"""All checks in their order, and how a fault keeps those that build on it from being looked at."""

from __future__ import annotations

from typing import TYPE_CHECKING, Callable

import attrs

from depotserve.probe import certificate, chain, entry, lasting, name, reach, sameness
from depotserve.probe.file import digest, file
from depotserve.probe.finding import Finding, State, Trouble, unknown
from depotserve.probe.folders import listing
from depotserve.probe.handshake import handshake
from depotserve.probe.limits import Clock, OutOfTimeError
from depotserve.probe.visit import Visit, Wish, basic

if TYPE_CHECKING:
    from collections.abc import Iterator

__all__ = ["CHECKS", "Check", "Report", "probe"]


@attrs.frozen
class Check:
    """One check: its name, how it looks, and the names of those that it builds on."""

    name: str
    look: Callable[[Visit], Finding]
    needs: tuple[str, ...] = ()
    of_tls: bool = False  # left out where the address has no TLS


_SHORTEST_SECRET = 5  # characters; a shorter one would be found in any sentence
_VERIFIED = ("authority", "host name", "purpose", "validity")

CHECKS: tuple[Check, ...] = (
    Check("proxy", name.proxy),
    Check("name", name.name),
    Check("connection", reach.connection, ("name",)),
    Check("handshake", handshake, ("connection",), of_tls=True),
    Check("authority", chain.authority, ("handshake",), of_tls=True),
    Check("host name", certificate.host_name, ("handshake",), of_tls=True),
    Check("purpose", certificate.purpose, ("handshake",), of_tls=True),
    Check("validity", certificate.validity, ("handshake",), of_tls=True),
    Check("answer", entry.answer, ("connection", "handshake", *_VERIFIED)),
    Check("redirects", entry.redirects, ("answer",)),
    Check("clock", entry.clock, ("redirects",)),
    Check("challenge", entry.challenge, ("redirects",)),
    Check("refusal", entry.refusal, ("challenge",)),
    Check("signing in", entry.signing_in, ("challenge", "refusal")),
    Check("listing", listing, ("signing in",)),
    Check("file", file, ("signing in", "listing")),
    Check("head", sameness.head, ("file",)),
    Check("accept", sameness.accept, ("file",)),
    Check("ranges", sameness.ranges, ("file",)),
    Check("conditional", sameness.conditional, ("file",)),
    Check("digest", digest, ("file",)),
    Check("reuse", lasting.reuse, ("file",)),
    Check("throughput", lasting.throughput, ("file",)),
)


@attrs.frozen
class Report:
    """What a probe found, in the order in which it looked."""

    findings: tuple[Finding, ...]

    @property
    def first(self) -> Finding | None:
        """Give the first fault: the cause of what follows from it."""
        return next((one for one in self.findings if one.state is State.FAULT), None)

    @property
    def status(self) -> int:
        """Give the exit status: 1 if there is a fault, else 0."""
        return int(self.first is not None)


def probe(wish: Wish) -> Report:
    """Look at a depot, check by check; raises nothing for what is wrong there."""
    visit = Visit(wish, Clock(wish.limits.total + wish.seconds))
    try:
        return Report(tuple(_without_secret(one, wish) for one in _findings(visit)))
    finally:
        visit.client.drop()


def _findings(visit: Visit) -> Iterator[Finding]:
    roots: dict[str, str] = {}  # a check that says nothing -> the one that is to blame
    for check in CHECKS:
        if check.of_tls and not visit.wish.address.is_tls:
            continue
        blamed = next((roots[need] for need in check.needs if need in roots), None)
        finding = _skipped(blamed, visit) if blamed else _looked(check, visit)
        if finding.stops and not (check.name in _VERIFIED and visit.wish.send_anyway):
            roots[check.name] = blamed or check.name
        yield attrs.evolve(finding, check=check.name)


def _skipped(blamed: str, visit: Visit) -> Finding:
    if visit.clock.is_over:
        return _late(visit)
    return unknown(f"not looked at, because of: {blamed}", stops=True)


def _looked(check: Check, visit: Visit) -> Finding:
    try:
        return check.look(visit)
    except Trouble as trouble:
        return trouble.finding
    except OutOfTimeError:
        return _late(visit)


def _late(visit: Visit) -> Finding:
    return unknown(
        f"not looked at: the {visit.clock.total:g} s for all checks are over", stops=True
    )


def _without_secret(finding: Finding, wish: Wish) -> Finding:
    """Take a passphrase out of what a server may have sent back of it."""
    if wish.user is None or not wish.passphrase:
        return finding
    token = basic(wish.user, wish.passphrase).partition(" ")[2]
    for secret in (token, wish.passphrase):
        if len(secret) >= _SHORTEST_SECRET:
            finding = attrs.evolve(
                finding,
                seen=finding.seen.replace(secret, "[passphrase]"),
                cause=finding.cause.replace(secret, "[passphrase]"),
                advice=finding.advice.replace(secret, "[passphrase]"),
            )
    return finding
