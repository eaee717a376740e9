"""Digests of the files that are to be scanned, so that what was scanned before is recognised."""

from __future__ import annotations

import contextlib
from typing import TYPE_CHECKING

from depotserve.tree import cache, hashing
from depotserve.tree.hashing import Hashed
from depotserve.tree.inventory import ALWAYS, Inventory
from depotserve.tree.progress import Silent
from depotserve.tree.walk import by_folder

if TYPE_CHECKING:
    from collections.abc import Generator, Iterable
    from pathlib import Path

    from depotserve.tree.entry import Entry

__all__ = ["ALGORITHM", "Hashed", "hash_files"]

ALGORITHM = ALWAYS


def hash_files(
    root: Path, entries: Iterable[Entry], state: Path, *, fresh: bool
) -> Generator[Hashed, None, None]:
    """Give each file's digest, or why there is none; what `state` remembers of it is not read.

    With `fresh` everything is read. Raises SurroundingsError as `cache.opened` and
    `hashing.hash_files` do.
    """
    with contextlib.ExitStack() as exits:
        known = None if fresh else exits.enter_context(cache.opened(state, root))
        inventory = exits.enter_context(contextlib.closing(Inventory()))
        inventory.enter(by_folder(entries), known)
        inventory.want()
        for entry in inventory.files():
            facts = inventory.facts(entry.path)
            if ALGORITHM in facts:
                yield Hashed(entry, facts)
        for done in hashing.hash_files(root, inventory.wanted(), Silent()):
            if known and done.digests:
                known.remember(done.entry, done.digests)
            yield done
