"""The names that a certificate may vouch for, written as RFC 5280 §4.2.1.6 wants them."""

from __future__ import annotations

import re
from ipaddress import IPv4Address, IPv6Address, ip_address
from typing import TYPE_CHECKING, Union

import idna

from depotserve.errors import CallerError

if TYPE_CHECKING:
    from collections.abc import Iterable

__all__ = ["Host", "parse_host", "parse_hosts"]

Host = Union[str, IPv4Address, IPv6Address]  # a str is a DNS name in A-labels, lower case

_ALLOWED = "write a bare name such as depot.plant.example, or an IP address"
_LABEL = re.compile(r"[a-z0-9]([a-z0-9-]{0,61}[a-z0-9])?")  # RFC 1034 §3.5, RFC 1123 §2.1
_NUMBER = re.compile(r"[0-9]+|0x[0-9a-f]*")  # the URL standard's "ends in a number"
_LONGEST_NAME = 253  # RFC 1035 §3.1: 255 octets on the wire
# Clients of OpenSSL read 100 KiB of certificates at most; a name may take 256 octets of that.
_MOST_HOSTS = 300
_LONGEST_INPUT = 1024  # a bound on what is shown back and worked on

# What a text holds -> what is wrong with it. The first that is found is named.
_NO_NAME = (
    (re.compile(r"^\s*$"), "is empty"),
    (re.compile(r"\s"), "holds a blank"),
    (re.compile(r"[\x00-\x1f\x7f]"), "holds a control character"),
    (re.compile(r"://"), "is an address of a page, not a host"),
    (re.compile(r"[/?#@\\]"), "is more than a host"),
    (re.compile(r"^\["), "has brackets, which belong into addresses of pages only"),
    (re.compile(r"%"), "is bound to one network interface"),
    (re.compile(r"^[^:]*:[0-9]*$"), "has a port"),
    (re.compile(r"\*"), "is a pattern, and a depot vouches for itself only"),
)


def parse_hosts(texts: Iterable[str]) -> tuple[Host, ...]:
    """Give each text as a host, in the order given, repeated ones once.

    Raises CallerError if a text is no host, if there is none at all, or if there are over 300.
    """
    hosts = tuple(dict.fromkeys(parse_host(text) for text in texts))
    if not hosts:
        raise CallerError("a certificate needs at least one host", allowed=_ALLOWED)
    if len(hosts) > _MOST_HOSTS:
        raise CallerError(
            f"{len(hosts)} hosts are too many for one certificate", allowed=f"up to {_MOST_HOSTS}"
        )
    return hosts


def parse_host(text: str) -> Host:
    """Give the host that a text names: an address, or a DNS name in lower-case A-labels.

    Upper case and one final dot are normalised, other scripts become A-labels (RFC 5891, with
    the mapping of UTS 46 that browsers apply).
    Raises CallerError for whatever is no host: a blank, a scheme, a port, a path, a pattern.
    """
    for pattern, wrong in _NO_NAME:
        if pattern.search(text):
            raise _refusal(text, wrong)
    try:
        address = ip_address(text)
    except ValueError:
        return _name(text)
    if address.is_unspecified or address.is_multicast:
        raise _refusal(text, "is no address that a client can ask for")
    return address


def _name(text: str) -> str:
    """Give the DNS name in A-labels, or raise CallerError."""
    if len(text) > _LONGEST_INPUT or ":" in text:
        raise _refusal(text, "is neither a name nor an address")
    name = _a_labels(text).removesuffix(".")
    labels = name.split(".")
    if len(name) > _LONGEST_NAME or not all(_LABEL.fullmatch(label) for label in labels):
        raise _refusal(text, "is no host name (letters, digits and inner hyphens between dots)")
    if _NUMBER.fullmatch(labels[-1]):  # clients read such a text as an address, and a bad one
        raise _refusal(text, "ends in a number and is no IP address")
    return name


def _a_labels(text: str) -> str:
    """Give the text with every label of another script encoded, or raise CallerError."""
    if text.isascii() and "xn--" not in text.lower():  # A-labels that are given are checked too
        return text.lower()
    try:
        return idna.encode(text, uts46=True, std3_rules=True).decode("ascii").lower()
    except (idna.IDNAError, UnicodeError) as error:
        raise _refusal(text, "is no name that the domain name system can hold") from error


def _refusal(text: str, wrong: str) -> CallerError:
    """Give the one line about a text that is no host."""
    return CallerError(f"host {text[:80]!r} {wrong}", allowed=_ALLOWED)
