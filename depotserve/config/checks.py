"""What settings must fulfil together, and what they need of the disk."""

from __future__ import annotations

import ipaddress
import os
from itertools import combinations
from typing import TYPE_CHECKING

from depotserve.config.settings import (
    ANONYMOUS,
    CONNECTION,
    TOTAL,
    Cap,
    Listener,
    Mount,
    Settings,
)
from depotserve.config.source import Position
from depotserve.errors import SurroundingsError

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from depotserve.errors import CallerError

__all__ = [
    "asks_for_passwords",
    "check_content",
    "check_together",
    "is_within",
    "sends_cleartext",
    "why_unlistable",
]

_LEGACY_NEEDS = {
    "clients": "allowed is a list of the addresses or networks that are let in",
    "until": "allowed is the last day, such as 2027-03-31",
}
_MOST_CAPS = 32  # each has a place in the memory that workers share


def check_together(settings: Settings, name: str) -> None:
    """Check what one value alone cannot show; `name` is what messages call the file.

    Raises CallerError naming the line for no mount or listener, prefixes or listeners that are
    there twice, roots that overlap with different readers or touch the home, listeners that
    would ask for passwords in clear text without leave, ones of old TLS without clients and a
    last day, and caps of a mount that is not there.
    """
    for key, values in (("content", settings.content), ("listeners", settings.listeners)):
        if not values:
            raise Position(name, 1, key).fault("is empty", "allowed is a list of one or more")
    _check_mounts(settings.content, name)
    _check_home(settings, name)
    _check_listeners(settings, name)
    _check_bandwidth(settings, name)


def is_within(path: Path, folder: Path) -> bool:
    """Tell whether `path` is `folder` or lies in it, with every symlink followed."""
    inner, outer = os.path.realpath(path), os.path.realpath(folder)
    return os.path.commonpath([inner, outer]) == outer


def _check_mounts(mounts: Sequence[Mount], name: str) -> None:
    for first, second in combinations(mounts, 2):
        if first.url == second.url:
            raise _fault(
                name, second, "content.url", f"{second.url} is there twice", "allowed is once"
            )
        if _readers(first) != _readers(second) and _overlap(first.path, second.path):
            wrong = f"overlaps {first.path} (line {first.line}), which has other readers"
            allowed = "allowed are separate folders, or the same users"
            raise _fault(name, second, "content.path", wrong, allowed)


def _readers(mount: Mount) -> str | frozenset[str]:
    return mount.users if isinstance(mount.users, str) else frozenset(mount.users)


def _overlap(first: Path, second: Path) -> bool:
    return is_within(first, second) or is_within(second, first)


def _check_home(settings: Settings, name: str) -> None:
    for mount in settings.content:
        if _overlap(mount.path, settings.home):
            wrong = f"{mount.path} and the home {settings.home} overlap"
            raise _fault(
                name, mount, "content.path", wrong, "allowed are folders apart from each other"
            )


def _check_listeners(settings: Settings, name: str) -> None:
    seen: dict[tuple[str, int], Listener] = {}
    for listener in settings.listeners:
        place = (listener.address, listener.port)
        if listener.port and place in seen:
            wrong = f"{listener.address} port {listener.port} is there twice"
            raise _fault(name, listener, "listeners.port", wrong, "allowed is once")
        seen[place] = listener
        _check_redirect(settings, listener, name)
        _check_cleartext(settings, listener, name)
        _check_legacy(listener, name)


def _check_redirect(settings: Settings, listener: Listener, name: str) -> None:
    secure = any(other.tls == "modern" for other in settings.listeners)
    if listener.tls == "redirect" and not secure:
        allowed = "allowed with a listener of tls: modern beside it"
        raise _fault(name, listener, "listeners.tls", "redirect leads nowhere", allowed)


def _check_cleartext(settings: Settings, listener: Listener, name: str) -> None:
    if sends_cleartext(settings, listener) and not listener.i_accept_cleartext_passwords:
        wrong = f"none would send passwords in clear text to {listener.address}"
        allowed = "allowed with tls: modern, or with i_accept_cleartext_passwords: true"
        raise _fault(name, listener, "listeners.tls", wrong, allowed)


def _check_legacy(listener: Listener, name: str) -> None:
    """Hold old TLS to those who need it and to a last day; say both of no other listener."""
    for key, given in (("clients", listener.clients), ("until", listener.until)):
        if listener.tls == "legacy" and not given:
            wrong = "is missing, and tls: legacy weakens all that come by it"
            raise _fault(name, listener, f"listeners.{key}", wrong, _LEGACY_NEEDS[key])
        if listener.tls != "legacy" and given:
            wrong = f"counts for nothing with tls: {listener.tls}"
            raise _fault(name, listener, f"listeners.{key}", wrong, "allowed with tls: legacy")


def _check_bandwidth(settings: Settings, name: str) -> None:
    known = {TOTAL, CONNECTION, *(mount.url for mount in settings.content)}
    for number, cap in enumerate(settings.bandwidth, 1):
        if number > _MOST_CAPS:
            raise _fault(name, cap, "bandwidth", "is too long", f"allowed are {_MOST_CAPS} entries")
        if cap.of not in known:
            allowed = f"allowed are {', '.join(sorted(known))}"
            raise _fault(name, cap, "bandwidth.of", f"{cap.of} is no mount's url", allowed)


def asks_for_passwords(settings: Settings) -> bool:
    """Tell whether any mount is for signed-in users only."""
    return any(mount.users != ANONYMOUS for mount in settings.content)


def sends_cleartext(settings: Settings, listener: Listener) -> bool:
    """Tell whether `listener` takes passwords without TLS from other machines."""
    plain = listener.tls == "none"
    loopback = ipaddress.ip_address(listener.address).is_loopback
    return plain and not loopback and asks_for_passwords(settings)


def check_content(settings: Settings) -> None:
    """Check that each mount's folder can be listed now.

    Raises SurroundingsError naming the line, the path and the system's reason.
    """
    for mount in settings.content:
        reason = why_unlistable(mount.path)
        if reason:
            at = Position("depot.yaml", mount.line, "content.path")
            fault = at.fault(f"{mount.path}: {reason}", "allowed is a folder that can be read")
            raise SurroundingsError(fault.what, where=fault.where)


def why_unlistable(folder: Path) -> str:
    """Give the system's reason why `folder` cannot be listed, or nothing if it can."""
    try:
        with os.scandir(folder) as entries:
            next(entries, None)
    except OSError as error:
        return error.strerror or type(error).__name__
    return ""


def _fault(
    name: str, owner: Mount | Listener | Cap, key: str, wrong: str, allowed: str
) -> CallerError:
    return Position(name, owner.line, key).fault(wrong, allowed)
