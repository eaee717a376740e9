"""A folder's listing, decided without I/O: what is shown, in which order, under which addresses."""

from __future__ import annotations

import math
import re
import unicodedata
from datetime import datetime, timezone
from heapq import heapify, heappop
from typing import TYPE_CHECKING, Callable, Optional, TypeVar
from urllib.parse import parse_qsl, quote

import attrs

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

__all__ = [
    "FILTER_CHARACTERS",
    "Entry",
    "View",
    "arrange",
    "crumbs",
    "parse_query",
    "reference",
    "rfc3339",
    "shown",
    "speakable",
]

FILTER_CHARACTERS = 255  # a name has at most 255 bytes on the file systems that are served
_QUERY_CHARACTERS = 4096
_QUERY_FIELDS = 16
_SORTS = ("name", "size", "date")

# What no HTML document may hold, not even as a reference (WHATWG HTML §13.2.3.5): controls but
# for tab and line feed; surrogates; noncharacters. Form feed is let through there, XML has none.
_UNSPEAKABLE = re.compile(
    "[\x00-\x08\x0b-\x1f\x7f-\x9f\ud800-\udfff\ufdd0-\ufdef\ufffe\uffff"
    + "".join(chr(plane * 0x10000 + last) for plane in range(1, 17) for last in (0xFFFE, 0xFFFF))
    + "]"
)


@attrs.frozen(slots=True)
class Entry:
    """One name of a folder: a folder or a file, its size in bytes, its time in epoch seconds."""

    name: bytes
    kind: str  # "folder" or "file"
    size: int  # 0 for a folder
    mtime: float


Look = Callable[[bytes], Optional[Entry]]  # what stands by a name; None for nothing to show


@attrs.frozen(slots=True)
class View:
    """What the reader asked to see: names that contain `filter`, sorted."""

    filter: str = ""
    sort: str = "name"  # "name", "size" or "date"
    descending: bool = False

    @property
    def by_name(self) -> bool:
        """Tell whether names and kinds alone decide, so that nothing has to be stat'ed first."""
        return self.sort == "name"


def parse_query(query: str) -> View:
    """Read a target's query, without its `?`, into a view; never raise.

    The fields are `filter`, `sort` (name, size, date) and `order` (ascending, descending), the last
    of a kind counts; whatever is unknown, malformed or too much is as if it were not there.
    """
    try:
        fields = dict(
            parse_qsl(
                query[:_QUERY_CHARACTERS],
                keep_blank_values=True,
                errors="replace",
                max_num_fields=_QUERY_FIELDS,
            )
        )
    except ValueError:
        return View()
    sort = fields.get("sort", "")
    return View(
        filter=speakable(fields.get("filter", ""))[:FILTER_CHARACTERS],
        sort=sort if sort in _SORTS else "name",
        descending=fields.get("order") == "descending",
    )


def arrange(
    folders: list[bytes], files: list[bytes], view: View, look: Look
) -> Iterator[Entry | None]:
    """Give what the view shows, folders first, each kind sorted; both lists are emptied.

    Each step takes one name on; it gives None where that has nothing to show, or not yet.

    Names sort by their bytes, which for UTF-8 is the order of code points; equal sizes and dates
    sort by name, ascending. The filter finds names whatever their case and Unicode form (Unicode
    §3.13, D145).
    """
    order = _by_name if view.by_name else _by_fact
    if view.filter:
        look = _only(_folded(view.filter), look)
    yield from order(folders, view, look)
    yield from order(files, view, look)


def _only(folded: str, look: Look) -> Look:
    return lambda name: look(name) if folded in _folded(shown(name)) else None


def _by_name(names: list[bytes], view: View, look: Look) -> Iterator[Entry | None]:
    return map(look, _drawn(names, descending=view.descending))


def _by_fact(names: list[bytes], view: View, look: Look) -> Iterator[Entry | None]:
    """Look at all, then give them in order."""
    fact, sign = _FACTS[view.sort], -1 if view.descending else 1
    ranked = []
    while names:
        entry = look(names.pop())
        if entry is not None:
            ranked.append((sign * fact(entry), entry.name, entry))
        yield None
    for _, _, entry in _drawn(ranked):
        yield entry


_FACTS: dict[str, Callable[[Entry], float]] = {
    "size": lambda entry: entry.size,
    # What has no time, which compares with nothing, counts as the oldest.
    "date": lambda entry: -math.inf if math.isnan(entry.mtime) else entry.mtime,
}


_Item = TypeVar("_Item", bytes, tuple[float, bytes, Entry])


def _drawn(items: list[_Item], *, descending: bool = False) -> Iterator[_Item]:
    """Take all items out of a list in order.

    A heap of 100,000 names stands in 3 ms, so the first leave at once; to sort them takes 28 ms,
    in which no other thread has a turn.
    """
    take: Callable[[list[_Item]], _Item] = heappop
    if descending:
        items.sort()
        take = list.pop
    else:
        heapify(items)
    while items:
        yield take(items)


def _folded(text: str) -> str:
    decomposed = unicodedata.normalize("NFD", text)
    return unicodedata.normalize("NFD", decomposed.casefold())


def shown(name: bytes) -> str:
    """Give a name as text that any page can hold.

    U+FFFD stands for a byte that is not UTF-8 and for a character that HTML cannot carry.
    """
    return speakable(name.decode("utf-8", "replace"))


def speakable(text: str) -> str:
    """Put U+FFFD for each character that no HTML document may hold (WHATWG HTML §13.2.3.5)."""
    return _UNSPEAKABLE.sub("\ufffd", text)


def reference(name: bytes, *, is_folder: bool) -> str:
    """Give the relative reference to an entry from its folder's address (RFC 3986 §4.2).

    Only unreserved characters stand as they are, so no name can be taken for a scheme, a query or
    markup; a folder's ends with a slash.
    """
    return quote(name, safe="") + ("/" if is_folder else "")


def crumbs(path: bytes, root: str = "Depot") -> Sequence[tuple[str, str]]:
    """Give text and absolute address of each folder from the root down to `path`.

    `path` is decoded, begins and ends with a slash.
    """
    found = [(root, "/")]
    for segment in filter(None, path.split(b"/")):
        found.append((shown(segment), found[-1][1] + reference(segment, is_folder=True)))
    return found


def rfc3339(mtime: float) -> str | None:
    """Give a time in UTC and whole seconds as RFC 3339 has it; None beyond the years 1 to 9999."""
    try:
        moment = datetime.fromtimestamp(math.floor(mtime), timezone.utc)
    except (OverflowError, ValueError, OSError):
        return None
    return moment.isoformat()[:19] + "Z"
