"""Where a depot is: origin and base path. A path is joined to the base, never resolved."""

from __future__ import annotations

import re
from ipaddress import IPv4Address, IPv6Address
from typing import TYPE_CHECKING
from urllib.parse import quote, unquote, urljoin, urlsplit

import attrs

from depotserve.errors import CallerError
from depotserve.tls import parse_host

if TYPE_CHECKING:
    from depotserve.tls.names import Host

__all__ = ["Address", "parse_address"]

_PORTS = {"http": 80, "https": 443}
_ALLOWED = "write https://HOST[:PORT]/[FOLDER/]"
_LONGEST = 2048  # characters; longer ones are refused by servers and devices on the way
# RFC 3986 §3.3: what may stand in a path; "%" too, for what is encoded already.
_IN_PATH = "/%:@!$&'()*+,;=~-._"
_BAD_ESCAPE = re.compile("%(?![0-9A-Fa-f]{2})")
_DOTS = {".", ".."}
_PLAIN = "write it without . and .. as names, and a % as %25"


@attrs.frozen
class Address:
    """A depot's address."""

    scheme: str  # "http" or "https"
    host: Host
    port: int
    base: str  # the encoded path of the depot's top folder, with a slash at both ends

    @property
    def is_tls(self) -> bool:
        """Tell whether the depot is asked for over TLS."""
        return self.scheme == "https"

    @property
    def is_number(self) -> bool:
        """Tell whether the host is an IP address, which needs no resolving."""
        return isinstance(self.host, (IPv4Address, IPv6Address))

    @property
    def authority(self) -> str:
        """Give host and port as a Host field has them (RFC 9110 §7.2)."""
        host = f"[{self.host}]" if isinstance(self.host, IPv6Address) else str(self.host)
        return host if self.port == _PORTS[self.scheme] else f"{host}:{self.port}"

    @property
    def origin(self) -> str:
        """Give scheme, host and port, beyond which no passphrase goes (RFC 6454 §6.2)."""
        return f"{self.scheme}://{self.authority}"

    def join(self, path: str) -> str:
        """Give the target of a file by its unencoded path from the base, with or without `/`."""
        names = path.lstrip("/")
        if any(name in _DOTS for name in names.split("/")):
            raise CallerError(f"{path!r} leaves the depot's folder", allowed="write a plain path")
        if names.endswith("/") or not names:
            raise CallerError(f"{path!r} is a folder", allowed="name a file in it")
        return self.base + quote(_bytes(names))

    def resolve(self, target: str, reference: str) -> str:
        """Give the absolute address that `reference` on the page `target` means (§5.2).

        A user name in it is left out. Raises ValueError if it is no address.
        """
        parts = urlsplit(urljoin(f"{self.origin}{target}", reference))
        return parts._replace(netloc=parts.netloc.rpartition("@")[2]).geturl()

    def target_of(self, url: str) -> str | None:
        """Give the target of an absolute address of this origin; None if it is of another."""
        try:
            other = _origin(url)
        except CallerError:
            return None
        if (other.scheme, other.host, other.port) != (self.scheme, self.host, self.port):
            return None
        parts = urlsplit(url)
        # A field's value stands for bytes, one a character (RFC 9110 §5.5).
        path, query = (part.encode("latin-1", "replace") for part in (parts.path, parts.query))
        target = quote(path or b"/", safe=_IN_PATH)
        return f"{target}?{quote(query, safe=_IN_PATH + '?')}" if query else target


def parse_address(text: str) -> Address:
    """Read the address of a depot; raise CallerError, which repeats no user name or passphrase."""
    if "@" in text.partition("://")[2].partition("/")[0]:
        raise CallerError(
            "the address holds a user name",
            allowed="give it by --user, and the passphrase by --passphrase-file or when asked",
        )
    if len(text) > _LONGEST or re.search(r"[\x00-\x20\x7f]", text):
        raise CallerError("the address is too long or holds a blank", allowed=_ALLOWED)
    found = _origin(text)
    parts = urlsplit(text)
    if parts.query or parts.fragment:
        raise CallerError(f"{text!r} has more than a folder's path", allowed=_ALLOWED)
    names = [unquote(name) for name in parts.path.split("/")]
    if _BAD_ESCAPE.search(parts.path) or not _DOTS.isdisjoint(names):
        raise CallerError(f"{text!r} has a path that clients read differently", allowed=_PLAIN)
    return attrs.evolve(found, base=quote(_bytes(parts.path.rstrip("/")), safe=_IN_PATH) + "/")


def _bytes(path: str) -> bytes:
    """Give a path's bytes; those of an argument need not be UTF-8."""
    return path.encode("utf-8", "surrogateescape")


def _origin(text: str) -> Address:
    """Give scheme, host and port of an address, with the base `/`."""
    try:
        parts = urlsplit(text)
        port = parts.port
    except ValueError:
        raise CallerError(f"{text[:80]!r} is no address of a depot", allowed=_ALLOWED) from None
    if parts.scheme not in _PORTS or not parts.hostname or port == 0:
        raise CallerError(f"{text[:80]!r} is no address of a depot", allowed=_ALLOWED)
    port = port or _PORTS[parts.scheme]
    return Address(scheme=parts.scheme, host=parse_host(parts.hostname), port=port, base="/")
