"""Whom a listener for old appliances lets in, and what the log says of it."""

from __future__ import annotations

import ipaddress
import logging
from typing import TYPE_CHECKING, Callable

import attrs

from depotserve.accounts.addresses import network_of

if TYPE_CHECKING:
    import asyncio
    from datetime import date

    from depotserve.config import Listener
    from depotserve.process.mentions import Mentions

__all__ = ["Admission", "is_over"]

_LOG = logging.getLogger(__name__)


def is_over(listener: Listener, day: date) -> bool:
    """Tell whether a listener's last day lies before `day`."""
    return listener.until is not None and day > listener.until


@attrs.frozen
class Admission:
    """Lets in the clients of a listener of `tls: legacy`, up to its last day, and tells of them.

    A line a minute and address for those that are dropped, and one for those that came; see
    `Mentions` for what bounds them. `day` gives the day that it is in UTC.
    """

    listener: Listener
    mentions: Mentions
    day: Callable[[], date]

    def admits(self, address: str) -> bool:
        """Tell whether a connection from `address` is let in now."""
        why = self._why_not(address)
        if why and self.mentions.is_due(f"{self._place} - {network_of(address)}"):
            _LOG.warning("%s (legacy): %s is not let in: %s", self._place, address or "unix", why)
        return not why

    def note(self, transport: asyncio.Transport) -> None:
        """Log who has just shaken hands, and in which version."""
        peer = transport.get_extra_info("peername")
        address = peer[0] if peer else "a client that is gone"
        version = transport.get_extra_info("ssl_object").version()
        if self.mentions.is_due(f"{self._place} + {address} {version}"):
            _LOG.info("%s (legacy): used by %s with %s", self._place, address, version)

    @property
    def _place(self) -> str:
        return f"{self.listener.address} port {self.listener.port}"

    def _why_not(self, address: str) -> str:
        if is_over(self.listener, self.day()):
            return f"its last day was {self.listener.until}"
        return "" if self._is_client(address) else "it is none of its clients"

    def _is_client(self, address: str) -> bool:
        try:
            found = ipaddress.ip_address(address.partition("%")[0])
        except ValueError:  # a socket in the file system has no addresses
            return False
        # A socket for both families shows an IPv4 client so (RFC 4291 section 2.5.5.2).
        found = getattr(found, "ipv4_mapped", None) or found
        return any(found in network for network in self.listener.clients)
