"""A folder's listing in pieces, so that one of 100,000 names streams: head, rows, tail."""

from __future__ import annotations

import json
from html import escape
from typing import TYPE_CHECKING
from urllib.parse import quote

from depotserve.http.listing import (
    FILTER_CHARACTERS,
    Entry,
    View,
    reference,
    rfc3339,
    shown,
    speakable,
)
from depotserve.http.pages._frame import TEMPLATES

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

__all__ = ["ListingJson", "ListingPage"]

_LISTING = TEMPLATES.get_template("listing.html")
_GAP = "\x00"  # marks in the template where the parts part; `shown` lets none through

# Built for each row by hand: a template call a row would take the greater part of the time.
_FOLDER = (
    '<tr><th scope="row"><a href="{}/"><bdi>{}</bdi>/</a></th><td>folder</td><td>{}</td></tr>\n'
)
_FILE = '<tr><th scope="row"><a href="{}"><bdi>{}</bdi></a></th><td>{}</td><td>{}</td></tr>\n'


class ListingPage:
    """A listing for people, in HTML; `head`, any number of `rows`, `tail`, once each in turn."""

    def __init__(self, *, path: bytes, crumbs: Sequence[tuple[str, str]], view: View) -> None:
        """Take the folder's decoded path, text and address of each folder above it, the view."""
        self._view = view
        self._folders = 0
        self._files = 0
        page = _LISTING.render(
            path=shown(path),
            crumbs=[(speakable(text), address) for text, address in crumbs],
            view=view,
            changed=view != View(),
            filter_characters=FILTER_CHARACTERS,
            gap=_GAP,
        )
        self._before, self._opening, self._closing, self._after = page.split(_GAP)

    def head(self) -> bytes:
        """Give all that comes before the table."""
        return self._before.encode()

    def rows(self, entries: Iterable[Entry]) -> bytes:
        """Give the rows of some entries, in the order given; the first call opens the table."""
        rows = [] if self._folders or self._files else [self._opening]
        folders = files = 0
        for entry in entries:
            address = quote(entry.name, safe="")
            name = escape(shown(entry.name), quote=False)
            if entry.kind == "folder":
                folders += 1
                rows.append(_FOLDER.format(address, name, _moment(entry.mtime)))
            else:
                files += 1
                rows.append(_FILE.format(address, name, _grouped(entry.size), _moment(entry.mtime)))
        if not folders + files:
            return b""
        self._folders += folders
        self._files += files
        return "".join(rows).encode()

    def tail(self) -> bytes:
        """Give the end of the page, which says how much it shows; without it a page is cut."""
        closing = self._closing if self._folders or self._files else ""
        sentence = escape(_sentence(self._folders, self._files, self._view.filter))
        return f'{closing}<p class="sum">{sentence}</p>{self._after}'.encode()


def _grouped(size: int) -> str:
    # Groups of three parted by a thin space that does not break (SI brochure, 9th edition, §5.4.4).
    return f"{size:,}".replace(",", "\u202f")


def _moment(mtime: float) -> str:
    moment = rfc3339(mtime)
    # RFC 3339 §5.6 and the HTML `time` element both take a space for the T.
    return f"<time>{moment.replace('T', ' ')}</time>" if moment else "not known"


def _sentence(folders: int, files: int, wanted: str) -> str:
    if folders or files:
        which = f" with \u201c{wanted}\u201d in the name" if wanted else ""
        return f"{_counted(folders, 'folder')} and {_counted(files, 'file')}{which}."
    if wanted:
        return f"No name in this folder contains \u201c{wanted}\u201d."
    return "This folder is empty."


def _counted(number: int, noun: str) -> str:
    return f"{number} {noun}" if number == 1 else f"{number} {noun}s"


_ENCODER = json.JSONEncoder(ensure_ascii=False, separators=(",", ":"))


class ListingJson:
    """A listing for programs: one JSON document (RFC 8259) in the same three kinds of pieces.

    `{"path": ..., "entries": [{"name", "href", "kind", "size", "modified"}, ...]}`. A name that is
    not UTF-8 shows U+FFFD; `href` is exact. `modified` is RFC 3339, null if no such time exists.
    """

    def __init__(self, *, path: bytes) -> None:
        """Take the folder's decoded path."""
        self._path = path.decode("utf-8", "replace")
        self._mark = "\n"

    def head(self) -> bytes:
        """Give the document up to its first entry."""
        return f'{{"path":{_ENCODER.encode(self._path)},"entries":['.encode()

    def rows(self, entries: Iterable[Entry]) -> bytes:
        """Give some entries, in the order given, a line each."""
        rows = [_ENCODER.encode(_fields(entry)) for entry in entries]
        if not rows:
            return b""
        text = self._mark + ",\n".join(rows)
        self._mark = ",\n"
        return text.encode()

    def tail(self) -> bytes:
        """Give the end of the document."""
        return b"\n]}\n"


def _fields(entry: Entry) -> dict[str, object]:
    return {
        "name": entry.name.decode("utf-8", "replace"),
        "href": reference(entry.name, is_folder=entry.kind == "folder"),
        "kind": entry.kind,
        "size": entry.size,
        "modified": rfc3339(entry.mtime),
    }
