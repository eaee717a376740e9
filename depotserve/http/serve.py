"""The last step: from a name in a tree to the answer for a file or a folder."""

from __future__ import annotations

import math
import os
import stat
from typing import TYPE_CHECKING

from . import listing
from .auth import may_read
from .content import refusal_of
from .exchange import Answer, Exchange, Step
from .files import answer_file
from .folders import Folder, answer_folder
from .refusal import ALLOW, Refusal

if TYPE_CHECKING:
    from collections.abc import Awaitable
    from concurrent.futures import Executor

    from depotserve.beneath import Opened
    from depotserve.never_serve import Hides

    from .content import Tree, Trees

__all__ = ["serving"]

# RFC 9111 §5.2.2: what only readers may have is kept by no shared cache; a client's own cache
# asks again each time, since a file may change at any moment.
_CACHE_FILE = {True: "no-cache", False: "private, no-cache"}
_CACHE_FOLDER = {True: "no-cache", False: "no-store"}


def serving(trees: Trees, hides: Hides, pool: Executor) -> Step:
    """Make the step that answers from the trees; threads of `pool` read folders."""

    def step(exchange: Exchange) -> Answer | Awaitable[Answer]:
        opened = _open(exchange, trees, hides)
        if opened is not None and stat.S_ISREG(opened.status.st_mode):
            return _file(exchange, opened)
        return _folder(exchange, opened, trees, hides, pool)

    return step


def _open(exchange: Exchange, trees: Trees, hides: Hides) -> Opened | None:
    """Open what the target names; None for an address that only leads on to mounts."""
    leads_on = bool(trees.beneath(exchange.target.names))
    if exchange.tree is None:
        if leads_on:
            return None
        raise Refusal(404, "There is nothing here by this name.")
    try:
        return exchange.tree.open(exchange.names, hides)
    except Refusal as refusal:
        if refusal.status == 404 and leads_on:
            return None
        raise


def _file(exchange: Exchange, opened: Opened) -> Answer:
    if exchange.target.folder:
        os.close(opened.descriptor)
        raise Refusal(404, "There is a file by this name, but no folder.")
    if exchange.method == "OPTIONS":
        os.close(opened.descriptor)
        return Answer(204, [ALLOW])
    cache = _CACHE_FILE[_is_anonymous(exchange.tree)]
    name = exchange.names[-1]
    return answer_file(exchange, opened.descriptor, opened.status, name, cache)


async def _folder(
    exchange: Exchange, opened: Opened | None, trees: Trees, hides: Hides, pool: Executor
) -> Answer:
    beneath = trees.beneath(exchange.target.names)
    folder = Folder(
        tree=None if opened is None else exchange.tree,
        descriptor=-1 if opened is None else opened.descriptor,
        names=() if opened is None else opened.names,
        mounted=_mounted(beneath, exchange.user),
        shadowed=frozenset(beneath),
        hides=hides,
    )
    try:
        if folder.tree is not None:
            folder.tree.check_whole()
        early = _before_listing(exchange)
        if early is None:
            return await answer_folder(
                exchange, folder, pool, _CACHE_FOLDER[_is_anonymous(exchange.tree)]
            )
    except OSError as error:
        folder.close()
        raise refusal_of(error) from None
    except Refusal:
        folder.close()
        raise
    folder.close()
    return early


def _before_listing(exchange: Exchange) -> Answer | None:
    """Answer what needs no listing: OPTIONS, and an address without its slash."""
    if exchange.method == "OPTIONS":
        return Answer(204, [ALLOW])
    target = exchange.target
    if target.folder or not target.names:
        return None
    # Path-absolute and never beginning "//", so it stays on this host (RFC 3986 §4.2).
    location = target.with_query(f"{target.path()}/")
    headers = [("Location", location), ("Cache-Control", "no-store")]
    headers.append(("Content-Type", "text/plain; charset=utf-8"))
    return Answer(301, headers, b"The folder's address ends with a slash.\n")


def _mounted(beneath: dict[bytes, list[Tree]], user: str) -> tuple[listing.Entry, ...]:
    """Give an entry for each address beneath that leads to something the user may read."""
    readable = (
        name
        for name, trees in beneath.items()
        if any(may_read(user, tree.mount.users) for tree in trees)
    )
    return tuple(listing.Entry(name, "folder", 0, math.nan) for name in readable)


def _is_anonymous(tree: Tree | None) -> bool:
    return tree is not None and tree.mount.users == "anonymous"
