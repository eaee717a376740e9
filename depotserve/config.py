"""The settings of a depot: one frozen, typed object, checked whole at the start."""

from __future__ import annotations

from ipaddress import IPv4Network, IPv6Network
from pathlib import Path
from typing import Optional, Union

import attrs

__all__ = ["AccessLog", "Limits", "Listener", "Mount", "Settings", "Throttle"]

Network = Union[IPv4Network, IPv6Network]


@attrs.frozen
class Mount:
    """A tree of content under an address prefix, with its readers."""

    url: str  # begins and ends with "/"
    path: Path  # absolute
    users: Union[str, tuple[str, ...]]  # "any" signed-in user, "anonymous", or names


@attrs.frozen
class Listener:
    """An address and port to accept connections on."""

    address: str
    port: int
    tls: str = "modern"  # "modern", "none", or "redirect" (plain, sends everybody to TLS)
    i_accept_cleartext_passwords: bool = False


@attrs.frozen
class Limits:
    """Bounds on what one request may ask for; bytes and seconds."""

    target_bytes: int = 8192
    header_bytes: int = 32768
    header_seconds: float = 10.0
    idle_seconds: float = 75.0
    stalled_seconds: float = 60.0


@attrs.frozen
class Throttle:
    """How many wrong passphrases an address and name may offer, and in what time."""

    failures: int = 10
    seconds: float = 300.0


@attrs.frozen
class AccessLog:
    """Where a line a request goes, and in which format."""

    format: str = "combined"  # "combined" or "json"
    to: str = "file"  # "file" (HOME/log/access.log) or "stderr"


@attrs.frozen
class Settings:
    """Everything that depot.yaml says."""

    home: Path
    content: tuple[Mount, ...]
    listeners: tuple[Listener, ...]
    operators: tuple[str, ...] = ()
    workers: Optional[int] = None  # None: the machine's cores
    drain: float = 60.0
    realm: str = "depot"
    never_serve: tuple[str, ...] = ()
    trusted_proxies: tuple[Network, ...] = ()
    passphrase_minimum: int = 15
    bcrypt_cost: int = 12
    limits: Limits = Limits()
    throttle: Throttle = Throttle()
    access_log: AccessLog = AccessLog()
