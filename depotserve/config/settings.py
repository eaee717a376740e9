"""The settings of a depot as frozen values, with the default of each."""

from __future__ import annotations

from datetime import date  # noqa: TC003  # resolved when settings are read
from ipaddress import IPv4Network, IPv6Network
from pathlib import Path  # noqa: TC003  # resolved when settings are read
from typing import Optional, Union

import attrs

__all__ = [
    "ANONYMOUS",
    "ANY",
    "CONNECTION",
    "DEFAULT_NEVER_SERVE",
    "LITTER",
    "RESERVED_NAMES",
    "TOTAL",
    "AccessLog",
    "Cap",
    "Hours",
    "Limits",
    "Listener",
    "Mount",
    "Network",
    "Readers",
    "Settings",
    "Throttle",
    "Tls",
]

ANY = "any"
ANONYMOUS = "anonymous"
RESERVED_NAMES = frozenset({ANY, ANONYMOUS})
TOTAL, CONNECTION = "total", "connection"  # what a cap may be of, beside the url of a mount
DAY = 24 * 60  # minutes

# What operating systems and storage boxes leave behind, private to whoever made it; shell-style
# wildcards over a whole name, in any case.
LITTER = (
    ".DS_Store",
    "._*",
    ".AppleDouble",
    "__MACOSX",
    ".Spotlight-V100",
    ".Trashes",
    ".fseventsd",
    ".TemporaryItems",
    "Thumbs.db",
    "ehthumbs.db",
    "desktop.ini",
    "$RECYCLE.BIN",
    "System Volume Information",
    ".Trash",
    ".Trash-*",
    ".directory",
    ".nfs*",
    "lost+found",
    "@eaDir",
    "#recycle",
    "#snapshot",
)

DEFAULT_NEVER_SERVE = (
    # version control: the whole history, with whatever was once checked in
    ".git",
    ".hg",
    ".svn",
    ".bzr",
    ".fslckout",
    ".jj",
    "_darcs",
    "CVS",
    # secrets
    ".ssh",
    ".gnupg",
    ".env",
    ".netrc",
    ".pgpass",
    ".git-credentials",
    ".*passw*",
    ".*secret*",
    *LITTER,
)

Network = Union[IPv4Network, IPv6Network]
Readers = Union[str, tuple[str, ...]]


@attrs.frozen
class Mount:
    """A tree of content under an address prefix, with its readers."""

    url: str  # begins and ends with "/"
    path: Path  # absolute
    users: Readers  # "any" signed-in user, "anonymous", or names
    line: int = attrs.field(default=0, eq=False)  # where depot.yaml says it, for messages


@attrs.frozen
class Listener:
    """An address and port to accept connections on."""

    address: str
    port: int  # 0: any free one, said at the start
    tls: str = "modern"  # or "legacy", "none", "redirect" (plain, sends everybody to "modern")
    i_accept_cleartext_passwords: bool = False
    clients: tuple[Network, ...] = ()  # of "legacy": nobody else is let in
    until: Optional[date] = None  # noqa: UP045  # of "legacy": the last day, in UTC
    line: int = attrs.field(default=0, eq=False)  # where depot.yaml says it, for messages

    @property
    def is_secure(self) -> bool:
        """Tell whether it speaks TLS."""
        return self.tls in {"modern", "legacy"}


@attrs.frozen
class Limits:
    """Bounds on what requests may ask for, in bytes and seconds, and on connections."""

    target_bytes: int = 8192
    header_bytes: int = 32768
    header_seconds: float = 10.0
    idle_seconds: float = 75.0
    stalled_seconds: float = 60.0
    connections: int = 8192  # of all workers together
    connections_by_address: int = 4096


@attrs.frozen
class Hours:
    """A span of each day in local time, in minutes from midnight; it may run over midnight."""

    start: int
    end: int

    def hold(self, minute: int) -> bool:
        """Tell whether a minute of the day lies in the span."""
        if self.start < self.end:
            return self.start <= minute < self.end
        return minute >= self.start or minute < self.end


@attrs.frozen
class Cap:
    """The most bytes a second that answers may take, all together or each connection's."""

    of: str  # "total", "connection", or the url of a mount
    bytes_per_second: int
    hours: Hours = Hours(0, DAY)
    line: int = attrs.field(default=0, eq=False)  # where depot.yaml says it, for messages


@attrs.frozen
class Throttle:
    """How many wrong passphrases an address and name may offer, and in what time."""

    failures: int = 10
    seconds: float = 300.0


@attrs.frozen
class Tls:
    """How the certificate is renewed, and whether the authority is given to whoever asks."""

    renew: str = "manual"  # "manual", or "auto": a prepared certificate goes live by itself
    publish_authority: bool = False


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
    workers: Optional[int] = None  # noqa: UP045  # resolved under 3.9; None: the machine's cores
    drain: float = 60.0
    realm: str = "depot"
    never_serve: tuple[str, ...] = DEFAULT_NEVER_SERVE
    trusted_proxies: tuple[Network, ...] = ()
    passphrase_minimum: int = 15
    bcrypt_cost: int = 12
    limits: Limits = Limits()
    bandwidth: tuple[Cap, ...] = ()
    throttle: Throttle = Throttle()
    access_log: AccessLog = AccessLog()
    tls: Tls = Tls()
