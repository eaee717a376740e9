"""Folder listings of any depot: the names in a page, without I/O."""

from __future__ import annotations

import contextlib
import json
from html.parser import HTMLParser
from typing import TYPE_CHECKING
from urllib.parse import quote, unquote, unquote_to_bytes, urljoin, urlsplit

import attrs

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

__all__ = ["Entry", "choose", "parse_listing"]

_MOST = 200_000  # entries
_PREFERRED = 32 << 20  # bytes: large enough to measure, small enough to be read whole
_IN_PATH = "/%:@!$&'()*+,;=~-._"  # RFC 3986 §3.3, and what is escaped already
_NO_NAMES = (b"", b".", b"..")
_MOST_TRIED = 4  # files
_DEEPEST = 3000  # characters of an address


@attrs.frozen
class Entry:
    """One name of a folder."""

    target: str  # encoded, from the root; a folder's ends with a slash
    size: int | None  # bytes; None: the listing does not say

    @property
    def is_folder(self) -> bool:
        """Tell whether it is a folder."""
        return self.target.endswith("/")

    @property
    def name(self) -> str:
        """Give the decoded name."""
        return unquote(self.target.rstrip("/").rpartition("/")[2], errors="surrogateescape")


def parse_listing(body: bytes, media: str, folder: str, origin: str) -> list[Entry] | None:
    """Read the listing of the target `folder` at `origin`; None if it is none that can be read."""
    kind = media.partition(";")[0].strip().lower()
    if kind == "application/json":
        return _from_json(body, f"{origin}{folder}")
    if kind in {"text/html", "application/xhtml+xml"}:
        return _from_html(body, f"{origin}{folder}")
    return None


def choose(entries: Iterable[Entry]) -> list[Entry]:
    """Choose files, the one that shows most first: the largest of moderate size, else the smallest.

    Where a listing tells no sizes they stay in its order, since the first may be empty.
    """
    files = [one for one in entries if not one.is_folder and one.size != 0]
    moderate = [one for one in files if one.size is not None and one.size <= _PREFERRED]
    if moderate:
        return [max(moderate, key=lambda one: one.size or 0)]
    return sorted(files, key=lambda one: one.size or 0)[:_MOST_TRIED]


def _from_json(body: bytes, base: str) -> list[Entry] | None:
    try:
        rows = json.loads(body)["entries"]
        found = [(str(row["href"]), row.get("size")) for row in rows[:_MOST]]
    except (ValueError, KeyError, TypeError, AttributeError, RecursionError):
        return None
    sizes = [(href, size if isinstance(size, int) else None) for href, size in found]
    return list(_inside(sizes, base))


def _from_html(body: bytes, base: str) -> list[Entry]:
    links = _Links()
    # The library raises these at a declaration that it cannot read; what stands before it counts.
    with contextlib.suppress(AssertionError, NotImplementedError):
        links.feed(body.decode("utf-8", "surrogateescape"))
    return list(_inside([(href, None) for href in dict.fromkeys(links.found)], base))


def _inside(found: list[tuple[str, int | None]], base: str) -> Iterator[Entry]:
    """Keep to what stands directly in the folder; sorting links, parents and others go."""
    home = urlsplit(base)
    above = _names(home.path)[:-1]
    for href, size in found:
        target = _target(href, base, (home.scheme, home.netloc))
        if target is None:
            continue
        names = _names(target)
        own = names[len(above) :]
        if names[: len(above)] == above and own[1:] in ([], [b""]) and own[0] not in _NO_NAMES:
            yield Entry(target, None if target.endswith("/") else size)


def _names(path: str) -> list[bytes]:
    """Take a path apart; servers differ in what they escape."""
    return [unquote_to_bytes(name) for name in path.split("/")]


def _target(href: str, base: str, origin: tuple[str, str]) -> str | None:
    try:
        parts = urlsplit(urljoin(base, href))
    except ValueError:
        return None
    if parts.query or parts.fragment or (parts.scheme, parts.netloc) != origin:
        return None
    # Some servers write names as they are, which browsers escape as bytes of UTF-8.
    path = quote(parts.path.encode("utf-8", "surrogateescape"), safe=_IN_PATH)
    return path if len(path) <= _DEEPEST else None


class _Links(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.found: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if tag == "a" and len(self.found) < _MOST:
            self.found += [value for key, value in attrs if key == "href" and value]
