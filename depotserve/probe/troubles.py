"""Faults that any request can come upon, in words."""

from __future__ import annotations

from typing import TYPE_CHECKING

from depotserve.probe.finding import Throttled, Trouble, Where, fault, shown

if TYPE_CHECKING:
    from depotserve.probe.address import Address
    from depotserve.probe.message import Head

__all__ = [
    "by_proxy",
    "cut_short",
    "endless_redirects",
    "no_answer",
    "no_http",
    "other_origin",
    "slow",
    "throttled",
    "unable",
]


def no_answer(address: Address, reason: str) -> Trouble:
    """Say that a connection ended without a byte; `reason` is the library's, if it has one."""
    finding = fault(
        f"the connection was ended without an answer{f' ({reason})' if reason else ''}",
        cause="what listens there gives no HTTP answer, or wants a client's certificate",
        advice=f"look in the depot's log at this time, and at what listens on port {address.port}",
        where=Where.DEPOT,
    )
    return Trouble(finding)


def no_http(address: Address, why: str, first: bytes) -> Trouble:
    """Say that what came is no HTTP; `first` is how it begins."""
    began = f" (it begins with {first[:16]!r})" if first else ""
    finding = fault(
        f"what came is no HTTP/1.1 answer: {why}{began}",
        cause=f"port {address.port} speaks another protocol, or a device on the way changes it",
        advice=f"look what listens on port {address.port}",
        where=Where.DEPOT,
    )
    return Trouble(finding)


def slow(target: str, seconds: float) -> Trouble:
    """Say that an answer took too long."""
    finding = fault(
        f"no whole answer for {shown(target)} within {seconds:g} s",
        cause="the depot is overloaded or hangs, or a device on the way holds answers back",
        advice="look at the depot's load and log at this time",
        where=Where.DEPOT,
    )
    return Trouble(finding)


def cut_short(target: str, how_far: str) -> Trouble:
    """Say that a connection ended within an answer."""
    finding = fault(
        f"the answer for {shown(target)} was cut short: {how_far}",
        cause="the file changed or could not be read to its end, or a device on the way cuts",
        advice=f"look in the depot's log at this time for {shown(target)}",
        where=Where.DEPOT,
    )
    return Trouble(finding)


def throttled(head: Head) -> Throttled:
    """Say that the depot wants fewer requests (RFC 6585 §4)."""
    wait = head.get("retry-after") or ""
    how_long = f"{wait} s" if wait.isdigit() else "some minutes"
    finding = fault(
        f"throttled: 429{f', Retry-After {shown(wait)}' if wait else ''}",
        cause="too many requests or wrong passphrases came from this address",
        advice=f"let nothing from this machine ask for {how_long}, then probe again",
        where=Where.CLIENT,
    )
    return Throttled(finding)


def unable(target: str, head: Head) -> Trouble:
    """Say that the depot answers with a fault of its own (RFC 9110 §15.6)."""
    finding = fault(
        f"{head.status} for {shown(target)}",
        cause="the depot, or what stands before it, cannot answer now",
        advice="look in the depot's log at this time for the reason",
        where=Where.DEPOT,
    )
    return Trouble(finding)


def by_proxy(head: Head) -> Trouble:
    """Say that something on the way wants to be signed in to (RFC 9110 §15.5.8, RFC 6585 §6)."""
    finding = fault(
        f"{head.status}: the answer is a proxy's or gateway's, which wants to be signed in to",
        cause="something on the way takes what is meant for the depot",
        advice="let this machine's requests to the depot pass it by",
        where=Where.CLIENT,
    )
    return Trouble(finding)


def other_origin(target: str, url: str) -> Trouble:
    """Say that a redirect leads away; no passphrase follows it (RFC 9110 §15.4)."""
    finding = fault(
        f"{shown(target)} is redirected to {shown(url)}",
        cause="the depot has another address; clients lose their passphrase on the way there",
        advice=f"if that is the depot, give its address to the clients: {shown(url)}",
        where=Where.CLIENT,
    )
    return Trouble(finding)


def endless_redirects(target: str) -> Trouble:
    """Say that redirects lead on and on."""
    finding = fault(
        f"redirects do not end (last {shown(target)})",
        cause="two rules of the depot, or of what stands before it, send to each other",
        advice="look at the depot's rules for redirects",
        where=Where.DEPOT,
    )
    return Trouble(finding)
