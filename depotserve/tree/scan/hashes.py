"""Digests of the files that are to be scanned, so that what was scanned before is recognised."""

from __future__ import annotations

import contextlib
from typing import TYPE_CHECKING

from depotserve.tree import cache, hashing
from depotserve.tree.hashing import Hashed
from depotserve.tree.inventory import ALWAYS, opened_inventory
from depotserve.tree.progress import Silent

if TYPE_CHECKING:
    from collections.abc import Generator, Iterable
    from pathlib import Path
    from typing import Callable

    from depotserve.tree.entry import Entry
    from depotserve.tree.walk import Folder

__all__ = ["ALGORITHM", "Hashed", "hash_files"]

ALGORITHM = ALWAYS


def hash_files(
    root: Path, found: Iterable[Folder], taken: Callable[[Entry], bool], state: Path, *, fresh: bool
) -> Generator[Hashed, None, None]:
    """Give the digest of each file that is `taken`, or why there is none.

    Each is asked for once. What `state` remembers of a file is not read; with `fresh` everything is
    read. Raises SurroundingsError as `cache.opened` and `hashing.hash_files` do.
    """
    with contextlib.ExitStack() as exits:
        known = None if fresh else exits.enter_context(cache.opened(state, root))
        inventory = exits.enter_context(opened_inventory(known))
        inventory.enter(found)
        inventory.want()
        for entry in inventory.files():
            facts = inventory.facts(entry.path)
            if ALGORITHM in facts and taken(entry):
                yield Hashed(entry, facts)
        wanted = (one for one in inventory.wanted() if taken(one.entry))
        for done in hashing.hash_files(root, wanted, Silent()):
            if done.digests:
                inventory.learn(done.entry.path, done.digests)
            yield done
