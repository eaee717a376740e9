"""The check of the chain: whether it reaches a trusted root, and what is wrong where not."""

from __future__ import annotations

from typing import TYPE_CHECKING, Callable

from cryptography.hazmat.primitives import hashes

from depotserve.probe.certificate import TIME, leaf_flaws, of_clocks
from depotserve.probe.finding import Finding, Where, fault, passed, shown, unknown
from depotserve.probe.issuers import Gap, Reach, reach
from depotserve.tls.examine import Flaw, examine_issuers

if TYPE_CHECKING:
    from depotserve.probe.visit import Visit

__all__ = ["authority"]


def authority(visit: Visit) -> Finding:
    """Check that the chain reaches a trusted root, and that those above the leaf may vouch."""
    presented = visit.presented
    if presented is None:
        return unknown("no certificate was seen", stops=True)
    trust = visit.wish.trust
    found = reach(presented, trust.anchors)
    if found.gap is Gap.NONE:
        return _reached(visit, found)
    if visit.is_verified:  # the library found what was not given here, as in a folder of roots
        return passed(f"verified up to {trust.name}")
    return _GAPS[found.gap](visit, found)


def _reached(visit: Visit, found: Reach) -> Finding:
    trust = visit.wish.trust.name
    above = found.root if found.root != found.chain[0] else None
    issuers = [*found.chain[1:], *([above] if above else [])]
    flaws = examine_issuers(issuers, now=visit.now)
    flaws = [] if visit.is_verified else flaws
    if flaws and flaws[0].kind in TIME:
        return of_clocks(
            visit, shown(flaws[0].text), lambda now: not examine_issuers(issuers, now=now)
        ) or _of_issuer(visit, flaws[0])
    if flaws:
        return _of_issuer(visit, flaws[0])
    if not visit.is_verified and not leaf_flaws(visit):
        return _refused(visit)
    top = found.root or found.chain[-1]
    return passed(f"issued up to {shown(top.subject.rfc4514_string())}, which is in {trust}")


def _of_issuer(visit: Visit, flaw: Flaw) -> Finding:
    return fault(
        shown(flaw.text),
        cause="an authority above the server's certificate may not or no longer vouch for it",
        advice=f"have it replaced, and put the new one in place of it in {visit.wish.trust.name}",
        where=Where.DEPOT,
    )


def _refused(visit: Visit) -> Finding:
    """Give the library's words where ours find nothing."""
    if "subtree" in visit.refusal:  # OpenSSL's word for name constraints
        return fault(
            f"the certificate is refused: {shown(visit.refusal)}",
            cause=f"an authority above it may not vouch for {visit.host} (name constraints)",
            advice="ask for the depot by a name that the authority may vouch for",
            where=Where.CLIENT,
        )
    return fault(
        f"the certificate is refused: {shown(visit.refusal)}",
        cause="this machine's rules for certificates are stricter than the usual ones",
        advice="have a certificate issued that keeps to RFC 5280",
        where=Where.DEPOT,
    )


def _unknown_authority(visit: Visit, found: Reach) -> Finding:
    trust = visit.wish.trust.name
    sent = f" (SHA-256 {_fingerprint(found)})" if found.root else ""
    # Below a root that is not sent, an intermediate of a strange root looks the same.
    else_ = "" if found.root else ", or the depot leaves out an intermediate"
    return fault(
        f"unknown authority: {shown(found.wanted)}{sent} issued it and is not in {trust}",
        cause=f"{trust} is not of the authority that issued this depot's certificate{else_}",
        advice=f"bring the authority's certificate by a trusted way and {visit.wish.trust.entry}",
        where=Where.CLIENT,
    )


def _namesake(visit: Visit, found: Reach) -> Finding:
    trust = visit.wish.trust.name
    return fault(
        f"unknown authority: {trust} has {shown(found.wanted)} with another key",
        cause="the authority was made anew under its old name, or this is another depot",
        advice=f"bring the present authority's certificate by a trusted way into {trust}",
        where=Where.CLIENT,
    )


def _self_signed(visit: Visit, _found: Reach) -> Finding:
    trust = visit.wish.trust.name
    return fault(
        f"unknown authority: the certificate is signed by itself and is not in {trust}",
        cause="the depot has the certificate that it was delivered with",
        advice=f"have one issued for the depot by the authority in {trust}",
        where=Where.DEPOT,
    )


def _missing(visit: Visit, found: Reach) -> Finding:
    trust = visit.wish.trust.name
    return fault(
        f"intermediate missing: {shown(found.wanted)} is neither sent nor in {trust}",
        cause="the depot sends its own certificate without the ones between it and the root",
        advice=f"let the depot send {shown(found.wanted)} after its own certificate",
        where=Where.DEPOT,
    )


def _no_root(visit: Visit, found: Reach) -> Finding:
    trust = visit.wish.trust.name
    last = shown(found.chain[-1].subject.rfc4514_string())
    return fault(
        f"unknown authority: {trust} has {last}, which is no root",
        cause="an intermediate was taken for the authority; clients go up to a root",
        advice=f"put the certificate of {shown(found.wanted)} into {trust}",
        where=Where.CLIENT,
    )


def _either(visit: Visit, found: Reach) -> Finding:
    trust = visit.wish.trust.name
    return fault(
        f"unknown authority or intermediate missing: {shown(found.wanted)} is not in {trust}",
        cause="the server speaks TLS 1.3 only, where this Python cannot see what else it sends",
        advice=f"find out who {shown(found.wanted)} is: a root belongs into {trust}",
        where=Where.CLIENT,
    )


_GAPS: dict[Gap, Callable[[Visit, Reach], Finding]] = {
    Gap.SELF_SIGNED: _self_signed,
    Gap.UNKNOWN: _unknown_authority,
    Gap.NAMESAKE: _namesake,
    Gap.MISSING: _missing,
    Gap.NO_ROOT: _no_root,
    Gap.EITHER: _either,
}


def _fingerprint(found: Reach) -> str:
    root = found.root
    return root.fingerprint(hashes.SHA256()).hex(":").upper() if root else ""
