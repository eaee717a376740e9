"""A folder's listing, decided without I/O: what is shown, in which order, under which addresses."""

from __future__ import annotations

import math
import re
import unicodedata
from datetime import datetime, timezone
from typing import TYPE_CHECKING, Any, TypeVar, overload
from urllib.parse import parse_qsl, quote

import attrs

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Sequence

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

Pair = tuple[bytes, bool]  # a name, and whether it is a folder

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


_Item = TypeVar("_Item", Pair, Entry)


@overload
def arrange(entries: Iterable[Entry], view: View) -> list[Entry]: ...


@overload
def arrange(entries: Iterable[Pair], view: View) -> list[Pair]: ...


def arrange(entries: Iterable[Any], view: View) -> list[Any]:
    """Give what the view shows of `entries`, folders first, each kind sorted.

    `entries` are `Entry`s, or (name, is a folder) pairs, which can be sorted by name only. Names
    sort by their bytes, which for UTF-8 is the order of code points; equal sizes and dates sort by
    name, ascending. The filter finds names whatever their case and Unicode form (Unicode §3.13,
    D145).

    Raises ValueError for pairs in a view by size or date.
    """
    kept = _filtered(entries, view.filter)
    kept.sort(key=_name)
    if view.by_name:
        if view.descending:
            kept.reverse()
    elif all(isinstance(item, Entry) for item in kept):
        kept.sort(key=_FACTS[view.sort], reverse=view.descending)
    else:
        raise ValueError("names alone cannot be sorted by size or date")
    kept.sort(key=_is_file)
    return kept


_FACTS: dict[str, Callable[[Entry], float]] = {
    "size": lambda entry: entry.size,
    "date": lambda entry: entry.mtime,
}


def _name(item: Pair | Entry) -> bytes:
    return item.name if isinstance(item, Entry) else item[0]


def _is_file(item: Pair | Entry) -> bool:
    return item.kind == "file" if isinstance(item, Entry) else not item[1]


def _filtered(entries: Iterable[_Item], wanted: str) -> list[_Item]:
    if not wanted:
        return list(entries)
    folded = _folded(wanted)
    return [item for item in entries if folded in _folded(shown(_name(item)))]


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
