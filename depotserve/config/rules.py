"""What each setting allows by itself: kinds of text, bounds of numbers."""

from __future__ import annotations

import ipaddress
import os
import re
import unicodedata
from datetime import date
from typing import TYPE_CHECKING, Callable

import attrs

from depotserve.config.settings import CONNECTION, DAY, RESERVED_NAMES, TOTAL, Hours

if TYPE_CHECKING:
    from depotserve.config.source import Scalar

__all__ = [
    "A_DATE",
    "BOUNDS",
    "HOURS",
    "TEXTS",
    "Bounds",
    "day",
    "hours",
    "network",
    "readers_word",
]


@attrs.frozen
class Bounds:
    """The least and the most that a number may be, with its unit."""

    least: int
    most: int
    unit: str = ""

    def __str__(self) -> str:
        """Say what is allowed."""
        return f"allowed is {self.least} to {self.most} {self.unit}".rstrip()


BOUNDS: dict[str, Bounds] = {
    "format": Bounds(1, 1),
    "listeners.port": Bounds(0, 65535),
    "workers": Bounds(1, 256),
    "drain": Bounds(0, 86400, "seconds"),
    "passphrase_minimum": Bounds(8, 64, "characters"),
    "bcrypt_cost": Bounds(10, 16),
    "limits.target_bytes": Bounds(256, 65536, "bytes"),
    "limits.header_bytes": Bounds(1024, 1048576, "bytes"),
    "limits.header_seconds": Bounds(1, 600, "seconds"),
    "limits.idle_seconds": Bounds(1, 3600, "seconds"),
    "limits.stalled_seconds": Bounds(1, 3600, "seconds"),
    "limits.connections": Bounds(16, 65536),
    "limits.connections_by_address": Bounds(1, 65536),
    # Below, a head alone would take a second; a terabyte a second is more than machines move.
    "bandwidth.bytes_per_second": Bounds(1000, 10**12, "bytes"),
    "throttle.failures": Bounds(1, 100),
    "throttle.seconds": Bounds(1, 86400, "seconds"),
}

_URL = re.compile(r"(/[A-Za-z0-9._~+-]+)*/?")
_REALM = re.compile(r"[ !#-\[\]-~]{1,64}")
_HOURS = re.compile(r"([01][0-9]|2[0-3]):([0-5][0-9])-([01][0-9]|2[0-4]):([0-5][0-9])")
HOURS = "allowed is a span of the day such as 06:00-20:00 or 20:00-06:00"
_DATE = re.compile(r"[0-9]{4}-[0-9]{2}-[0-9]{2}")  # RFC 3339 section 5.6: full-date
A_DATE = "allowed is a date such as 2027-03-31"
_CONTROL = re.compile(r"[\x00-\x1f\x7f-\x9f]")
LONGEST_NAME = 255  # bytes of a user name: what one line of a log can bear


def _choice(*words: str) -> Callable[[Scalar], str]:
    def rule(scalar: Scalar) -> str:
        if scalar.text in words:
            return scalar.text
        raise scalar.at.fault(f"{scalar.text!r} is unknown", f"allowed are {', '.join(words)}")

    return rule


def _url(scalar: Scalar) -> str:
    """Give the prefix with a slash at both ends."""
    parts = scalar.text.strip("/").split("/")
    if not scalar.text.startswith("/") or not _URL.fullmatch(scalar.text):
        allowed = "allowed is / or /name/ of letters, digits and . _ ~ + -"
        raise scalar.at.fault(f"{scalar.text!r} is no address prefix", allowed)
    if "." in parts or ".." in parts:
        raise scalar.at.fault(f"{scalar.text!r} holds a dot segment", "allowed are names only")
    if parts[0] == "_depot":
        raise scalar.at.fault(
            f"{scalar.text!r} is taken by the depot's own pages", "allowed is any other"
        )
    return f"/{'/'.join(parts)}/" if parts[0] else "/"


def _capped(scalar: Scalar) -> str:
    """Take a word for what a cap is of, or the prefix of a mount."""
    if scalar.text.startswith("/"):
        return _url(scalar)
    if scalar.text in {TOTAL, CONNECTION}:
        return scalar.text
    allowed = f"allowed are {TOTAL}, {CONNECTION}, or the url of a mount"
    raise scalar.at.fault(f"{scalar.text!r} is unknown", allowed)


def hours(scalar: Scalar) -> Hours:
    """Take two times of day. Raises CallerError for other text, and for equal ends."""
    match = _HOURS.fullmatch(scalar.text)
    if not match:
        raise scalar.at.fault(f"{scalar.text!r} is no span of hours", HOURS)
    first, after, last, beyond = map(int, match.groups())
    found = Hours(first * 60 + after, last * 60 + beyond)
    if found.end > DAY:
        raise scalar.at.fault(f"{scalar.text!r} ends after 24:00", HOURS)
    if found.start == found.end:
        raise scalar.at.fault(f"{scalar.text!r} begins when it ends", HOURS)
    return found


def day(scalar: Scalar) -> date:
    """Take a date. Raises CallerError for other text, and for a day that no month has."""
    try:
        if _DATE.fullmatch(scalar.text):
            return date.fromisoformat(scalar.text)
    except ValueError:
        pass
    raise scalar.at.fault(f"{scalar.text!r} is no date", A_DATE)


def _path(scalar: Scalar) -> str:
    if not os.path.isabs(scalar.text) or "\0" in scalar.text:
        raise scalar.at.fault(
            f"{scalar.text!r} is no absolute path", "allowed is a folder's path from /"
        )
    return scalar.text


def _user_name(scalar: Scalar) -> str:
    name = scalar.text
    if name in RESERVED_NAMES:
        raise scalar.at.fault(f"{name!r} is no user name", "allowed are names of users")
    if ":" in name or _CONTROL.search(name) or len(name.encode()) > LONGEST_NAME:
        allowed = f"allowed are at most {LONGEST_NAME} bytes without colon or control character"
        raise scalar.at.fault(f"{name!r} is no user name", allowed)
    return unicodedata.normalize("NFC", name)  # the form that the users file has


def readers_word(scalar: Scalar) -> str:
    """Take one of the two words for readers. Raises CallerError for any other text."""
    if scalar.text in RESERVED_NAMES:
        return scalar.text
    allowed = "allowed are any, anonymous, or a list of user names"
    raise scalar.at.fault(f"{scalar.text!r} is neither word nor list", allowed)


def _address(scalar: Scalar) -> str:
    try:
        return str(ipaddress.ip_address(scalar.text))
    except ValueError as error:
        allowed = "allowed is one such as 127.0.0.1, 0.0.0.0 or ::"
        raise scalar.at.fault(f"{scalar.text!r} is no IP address", allowed) from error


def network(scalar: Scalar) -> ipaddress.IPv4Network | ipaddress.IPv6Network:
    """Take an IP address or network. Raises CallerError for other text."""
    try:
        return ipaddress.ip_network(scalar.text)
    except ValueError as error:
        allowed = "allowed is one such as 10.1.0.5 or 10.1.0.0/24"
        raise scalar.at.fault(f"{scalar.text!r} is no address or network", allowed) from error


def _realm(scalar: Scalar) -> str:
    if _REALM.fullmatch(scalar.text):
        return scalar.text
    allowed = 'allowed are 1 to 64 printable ASCII characters without " and \\'
    raise scalar.at.fault(f"{scalar.text!r} is no realm", allowed)


def _pattern(scalar: Scalar) -> str:
    if "/" not in scalar.text and "\0" not in scalar.text:
        return scalar.text
    allowed = "allowed is a pattern for one name, without /"
    raise scalar.at.fault(f"{scalar.text!r} can match no name", allowed)


# Every setting that is text, or a list of texts.
TEXTS: dict[str, Callable[[Scalar], str]] = {
    "content.url": _url,
    "content.path": _path,
    "content.users": _user_name,
    "operators": _user_name,
    "bandwidth.of": _capped,
    "listeners.address": _address,
    "listeners.tls": _choice("modern", "legacy", "none", "redirect"),
    "realm": _realm,
    "tls.renew": _choice("manual", "auto"),
    "never_serve": _pattern,
    "access_log.format": _choice("combined", "json"),
    "access_log.to": _choice("file", "stderr"),
}
