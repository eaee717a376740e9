"""The answer for a folder: its names read once, its rows made while they stream."""

from __future__ import annotations

import asyncio
import os
import stat
from typing import TYPE_CHECKING, Union

import attrs

from . import listing, negotiate
from .exchange import Answer, Exchange, Stream
from .fields import combined
from .pages import CONTENT_SECURITY_POLICY, ListingJson, ListingPage
from .refusal import Refusal

if TYPE_CHECKING:
    from collections.abc import AsyncGenerator, Iterable, Iterator
    from concurrent.futures import Executor

    from .content import Tree
    from .never_serve import Hides

__all__ = ["Folder", "answer_folder"]

_HTML, _JSON = "text/html", "application/json"
# Rows made at a time: few enough that the first leave at once, many enough that the hop to a
# thread and back does not count.
_ROWS = 256

_Row = Union[tuple[bytes, bool], listing.Entry]
_Page = Union[ListingPage, ListingJson]


@attrs.frozen(slots=True, eq=False)
class Folder:
    """A folder to list: an open descriptor, and mounts that lie in it by their address."""

    tree: Tree | None  # None: only mounts, no folder of any tree
    descriptor: int  # -1 without a tree
    names: tuple[bytes, ...]  # the path beneath the tree's root, links resolved
    mounted: tuple[listing.Entry, ...]  # trees that lie here by their address
    shadowed: frozenset[bytes]  # names of this tree that such addresses hide
    hides: Hides

    def entries(self) -> list[tuple[bytes, bool]]:
        """Read all names, and whether each is a folder; special files are left out."""
        found = [(entry.name, True) for entry in self.mounted]
        if self.tree is not None:
            with os.scandir(self.descriptor) as scan:
                found.extend(self._shown(scan))
        return found

    def _shown(self, scan: Iterable[os.DirEntry[str]]) -> Iterator[tuple[bytes, bool]]:
        for item in scan:
            name = os.fsencode(item.name)
            if name in self.shadowed or self.hides(name):
                continue
            if item.is_symlink():
                status = self._follow(name)
                if status is not None:
                    yield name, stat.S_ISDIR(status.st_mode)
            elif item.is_dir(follow_symlinks=False):
                yield name, True
            elif item.is_file(follow_symlinks=False):
                yield name, False

    def _follow(self, name: bytes) -> os.stat_result | None:
        """Look at what a link leads to by the very way that a request for it would go."""
        if self.tree is None:
            return None
        try:
            opened = self.tree.open((*self.names, name), self.hides)
        except Refusal:
            return None
        os.close(opened.descriptor)
        return opened.status

    def facts(self, name: bytes, *, is_folder: bool) -> listing.Entry | None:
        """Look at one entry; None for what has gone since its name was read."""
        kind = "folder" if is_folder else "file"
        for entry in self.mounted:
            if entry.name == name:
                return entry
        status = self._status(name)
        if status is None:
            return None
        return listing.Entry(name, kind, 0 if is_folder else status.st_size, status.st_mtime)

    def _status(self, name: bytes) -> os.stat_result | None:
        try:
            status = os.lstat(name, dir_fd=self.descriptor)
        except OSError:
            return None
        return self._follow(name) if stat.S_ISLNK(status.st_mode) else status

    def close(self) -> None:
        """Close the folder."""
        if self.descriptor >= 0:
            os.close(self.descriptor)


async def answer_folder(exchange: Exchange, folder: Folder, pool: Executor, cache: str) -> Answer:
    """Answer a GET or HEAD for a folder, in HTML or JSON as the reader prefers.

    The rows are made by threads of `pool` while they stream; the answer owns `folder` from
    here on. Raises `OSError` when the folder can't be read.
    """
    kind = negotiate.prefers(combined(exchange.headers, "Accept"), (_HTML, _JSON))
    view = listing.parse_query(exchange.target.query.decode("latin-1"))
    path = b"/" + b"".join(name + b"/" for name in exchange.target.names)
    headers = [
        ("Content-Type", f"{_HTML}; charset=utf-8" if kind == _HTML else _JSON),
        ("Cache-Control", cache),
        ("Vary", "Accept"),
        ("X-Content-Type-Options", "nosniff"),
    ]
    page: _Page = ListingJson(path=path)
    if kind == _HTML:
        headers.append(("Content-Security-Policy", CONTENT_SECURITY_POLICY))
        headers.append(("Referrer-Policy", "no-referrer"))
        page = ListingPage(path=path, crumbs=listing.crumbs(path), view=view)
    if exchange.method == "HEAD":
        return Answer(200, headers, Stream(_nothing(), folder.close))
    loop = asyncio.get_running_loop()
    try:
        rows = await loop.run_in_executor(pool, _arranged, folder, view)
    except BaseException:
        folder.close()
        raise
    return Answer(200, headers, Stream(_pieces(folder, page, rows, pool), folder.close))


async def _nothing() -> AsyncGenerator[bytes, None]:
    return
    yield b""


def _arranged(folder: Folder, view: listing.View) -> list[_Row]:
    names = folder.entries()
    if view.by_name:
        return [*listing.arrange(names, view)]
    looked_at = (folder.facts(name, is_folder=is_folder) for name, is_folder in names)
    return [*listing.arrange([entry for entry in looked_at if entry is not None], view)]


async def _pieces(
    folder: Folder, page: _Page, rows: list[_Row], pool: Executor
) -> AsyncGenerator[bytes, None]:
    loop = asyncio.get_running_loop()
    yield page.head()
    for start in range(0, len(rows), _ROWS):
        some = rows[start : start + _ROWS]
        piece = await loop.run_in_executor(pool, _rendered, folder, page, some)
        if piece:
            yield piece
    yield page.tail()


def _rendered(folder: Folder, page: _Page, rows: list[_Row]) -> bytes:
    return page.rows(_looked_at(folder, rows))


def _looked_at(folder: Folder, rows: list[_Row]) -> Iterator[listing.Entry]:
    for row in rows:
        entry = row if isinstance(row, listing.Entry) else folder.facts(row[0], is_folder=row[1])
        if entry is not None:
            yield entry
