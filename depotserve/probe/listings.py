"""Folder listings of any depot: the names in a page, without I/O."""

from __future__ import annotations

import json
from html.parser import HTMLParser
from typing import TYPE_CHECKING
from urllib.parse import unquote, urljoin, urlsplit

import attrs

if TYPE_CHECKING:
    from collections.abc import Iterator

__all__ = ["Entry", "choose", "parse_listing"]

_MOST = 200_000  # entries
_PREFERRED = 32 << 20  # bytes: large enough to measure, small enough to be read whole
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


def parse_listing(body: bytes, media: str, folder: str) -> list[Entry] | None:
    """Read the listing of the target `folder`; None if it is none that can be read."""
    kind = media.partition(";")[0].strip().lower()
    if kind == "application/json":
        return _from_json(body, folder)
    if kind in {"text/html", "application/xhtml+xml"}:
        return _from_html(body, folder)
    return None


def choose(entries: list[Entry]) -> Entry | None:
    """Choose the file that shows most: the largest of moderate size, else the smallest."""
    files = [one for one in entries if not one.is_folder and one.size != 0]
    moderate = [one for one in files if one.size is not None and one.size <= _PREFERRED]
    if moderate:
        return max(moderate, key=lambda one: one.size or 0)
    return min(files, key=lambda one: one.size or 0, default=None)


def _from_json(body: bytes, folder: str) -> list[Entry] | None:
    try:
        rows = json.loads(body)["entries"]
        found = [(str(row["href"]), row.get("size")) for row in rows[:_MOST]]
    except (ValueError, KeyError, TypeError, AttributeError, RecursionError):
        return None
    sizes = [(href, size if isinstance(size, int) else None) for href, size in found]
    return list(_inside(sizes, folder))


def _from_html(body: bytes, folder: str) -> list[Entry]:
    links = _Links()
    links.feed(body.decode("utf-8", "surrogateescape"))
    return list(_inside([(href, None) for href in dict.fromkeys(links.found)], folder))


def _inside(found: list[tuple[str, int | None]], folder: str) -> Iterator[Entry]:
    """Keep to what stands directly in the folder; sorting links, parents and others go."""
    for href, size in found:
        target = _target(href, folder)
        if target is None or not target.startswith(folder):
            continue
        rest = target[len(folder) :]
        if rest.strip("/") and "/" not in rest.rstrip("/"):
            yield Entry(target, None if target.endswith("/") else size)


def _target(href: str, folder: str) -> str | None:
    try:
        parts = urlsplit(urljoin(folder, href))
    except ValueError:
        return None
    plain = not (parts.scheme or parts.netloc or parts.query or parts.fragment)
    fits = parts.path.isascii() and parts.path.isprintable() and len(parts.path) <= _DEEPEST
    return parts.path if plain and fits and " " not in parts.path else None


class _Links(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.found: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if tag == "a" and len(self.found) < _MOST:
            self.found += [value for key, value in attrs if key == "href" and value]
