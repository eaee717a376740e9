"""The answer for a folder: under way before its names are read, its rows made as they leave."""

from __future__ import annotations

import asyncio
import errno
import os
import stat
from contextlib import nullcontext
from itertools import chain, islice
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
    from contextlib import AbstractContextManager

    from depotserve.never_serve import Hides

    from .content import Tree

__all__ = ["Folder", "answer_folder"]

_HTML, _JSON = "text/html", "application/json"
# Names looked at in one turn: few enough that others have theirs soon, many enough that the hop
# to a thread and back does not count. The first rows are what a reader waits for.
_FIRST_ROWS, _ROWS = 32, 256
# What an entry that is there no more answers, or one that the depot may not look at: it is in no
# listing. Any other error is the disk's.
_NOT_TO_SEE = {errno.ENOENT, errno.EACCES, errno.EPERM}

_Page = Union[ListingPage, ListingJson]


@attrs.define(slots=True, eq=False)
class Folder:
    """A folder to list: an open descriptor, and mounts that lie in it by their address."""

    tree: Tree | None  # None: only mounts, no folder of any tree
    descriptor: int  # -1 without a tree
    names: tuple[bytes, ...]  # the path beneath the tree's root, links resolved
    mounted: tuple[listing.Entry, ...]  # trees that lie here by their address
    shadowed: frozenset[bytes]  # names of this tree that such addresses hide
    hides: Hides

    def scan(self) -> AbstractContextManager[Iterator[os.DirEntry[bytes]]]:
        """Begin to read the folder; raises `OSError`, as do the steps that follow."""
        if self.tree is None:
            return nullcontext(iter(()))
        # By a path in bytes, which leads to the open folder wherever it is now (proc(5)): of a
        # descriptor Python gives text, and to turn 100,000 names back takes a quarter as long
        # again as to read them.
        return os.scandir(b"/proc/self/fd/%d" % self.descriptor)

    def sort_out(self, scan: Iterable[os.DirEntry[bytes]]) -> tuple[list[bytes], list[bytes]]:
        """Give the names of folders and of files, links by what they lead to; no special files."""
        folders, files = [entry.name for entry in self.mounted], list[bytes]()
        for item in scan:
            name = item.name
            if name in self.shadowed:
                continue
            if item.is_file(follow_symlinks=False):
                files.append(name)
            elif item.is_dir(follow_symlinks=False):
                folders.append(name)
            elif item.is_symlink():
                target = self._follow(name)
                if target is not None:
                    (folders if stat.S_ISDIR(target.st_mode) else files).append(name)
        return folders, files

    def _follow(self, name: bytes) -> os.stat_result | None:
        """Look at what a link leads to by the very way that a request for it would go.

        None for what that would not find; raises `OSError` when it can't be told now.
        """
        if self.tree is None:
            return None
        try:
            opened = self.tree.open((*self.names, name), self.hides)
        except Refusal as refusal:
            if refusal.status == 503:
                raise OSError(errno.EIO, refusal.sentence) from None
            return None
        os.close(opened.descriptor)
        return opened.status

    def look(self, name: bytes) -> listing.Entry | None:
        """Look at one entry; None for what is hidden, special or gone since its name was read.

        Raises `OSError` when it can't be told.
        """
        if name in self.shadowed:
            return next(entry for entry in self.mounted if entry.name == name)
        status = None if self.hides(name) else self._status(name)
        if status is None:
            return None
        if stat.S_ISREG(status.st_mode):
            return listing.Entry(name, "file", status.st_size, status.st_mtime)
        if stat.S_ISDIR(status.st_mode):
            return listing.Entry(name, "folder", 0, status.st_mtime)
        return None

    def _status(self, name: bytes) -> os.stat_result | None:
        try:
            status = os.lstat(name, dir_fd=self.descriptor)
        except OSError as error:
            if error.errno in _NOT_TO_SEE:
                return None
            raise
        return self._follow(name) if stat.S_ISLNK(status.st_mode) else status

    def is_there(self) -> bool:
        """Tell whether the folder still has a place in the tree."""
        return self.tree is None or os.fstat(self.descriptor).st_nlink > 0

    def close(self) -> None:
        """Close the folder; a second call does nothing."""
        if self.descriptor >= 0:
            os.close(self.descriptor)
            self.descriptor = -1


async def answer_folder(exchange: Exchange, folder: Folder, pool: Executor, cache: str) -> Answer:
    """Answer a GET or HEAD for a folder, in HTML or JSON as the reader prefers.

    The names are read and the rows made by threads of `pool` while the answer is under way; the
    answer owns `folder` from here on. Raises `OSError` when the folder can't be read; when that
    shows later, the answer breaks off.
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
    pieces = _pieces(folder, page, view)
    try:
        head = await _next(pieces, pool)
    except BaseException:
        folder.close()
        raise
    return Answer(200, headers, Stream(_streamed(head, pieces, pool), folder.close))


async def _nothing() -> AsyncGenerator[bytes, None]:
    return
    yield b""


async def _streamed(
    head: bytes | None, pieces: Iterator[bytes], pool: Executor
) -> AsyncGenerator[bytes, None]:
    piece = head
    while piece is not None:
        if piece:
            yield piece
        piece = await _next(pieces, pool)


async def _next(pieces: Iterator[bytes], pool: Executor) -> bytes | None:
    """Let a thread make the next piece; None after the last.

    Its end is waited for even when nobody wants the piece any more: the thread reads the open
    folder.
    """
    made = asyncio.get_running_loop().run_in_executor(pool, next, pieces, None)
    try:
        return await asyncio.shield(made)
    except asyncio.CancelledError:
        await asyncio.wait([made])
        raise


def _pieces(folder: Folder, page: _Page, view: listing.View) -> Iterator[bytes]:
    """Make a page; its head comes as soon as the folder has shown that it can be read.

    Raises `OSError` where it can't, then or later.
    """
    was_there = folder.is_there()
    with folder.scan() as scan:
        begun = [*islice(scan, 1)]
        yield page.head()
        folders, files = folder.sort_out(chain(begun, scan))
    entries = listing.arrange(folders, files, view, folder.look)
    some = [*islice(entries, _FIRST_ROWS)]
    while some:
        yield page.rows(filter(None, some))
        some = [*islice(entries, _ROWS)]
    # Removed meanwhile: the kernel ended the names early, as if those were all. (A file system
    # that counts no links at all had none before either.)
    if was_there and not folder.is_there():
        raise FileNotFoundError(errno.ENOENT, "the folder was removed while it was read")
    yield page.tail()
