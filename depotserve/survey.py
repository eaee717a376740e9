"""Look through a tree of content for files that seem to hold passwords or keys."""

from __future__ import annotations

import fnmatch
import os
import re
from typing import TYPE_CHECKING

import attrs

from depotserve.http.never_serve import Hides, compile_patterns

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

__all__ = ["MOST_NAMED", "Found", "Survey", "survey"]

MOST_NAMED = 20  # what a person reads; the rest is counted
_SUSPECT = (
    "*passw*",
    "*secret*",
    "*credential*",
    ".env",
    ".netrc",
    "_netrc",
    ".pgpass",
    ".ssh",
    ".gnupg",
    "id_rsa",
    "id_dsa",
    "id_ecdsa",
    "id_ed25519",
    "*.kdbx",
    "*.p12",
    "*.pfx",
)
_suspect = re.compile("|".join(map(fnmatch.translate, _SUSPECT)))


@attrs.frozen
class Found:
    """A name in the tree that looks like a password or key."""

    path: str  # relative to the root; bytes that are no UTF-8 as surrogates
    served: bool  # False where `never_serve` covers it


@attrs.frozen
class Survey:
    """What a walk through a whole tree found."""

    named: tuple[Found, ...]  # the first MOST_NAMED
    served: int  # suspect names that readers can get
    hidden: int  # suspect names that `never_serve` covers
    unreadable: int  # folders that could not be listed


def survey(root: Path, never_serve: tuple[str, ...]) -> Survey:
    """Walk all of `root` and name what looks like passwords or keys, by name alone.

    Symlinks are not followed and hidden folders not entered. Memory is bounded by the widest
    branch, not by the number of files. What cannot be listed is counted, never raised.
    """
    hides = compile_patterns(never_serve)
    named: list[Found] = []
    counts = {True: 0, False: 0, None: 0}
    for found in _walk(os.fsencode(root), hides):
        counts[found.served if found else None] += 1
        if found and len(named) < MOST_NAMED:
            named.append(found)
    return Survey(tuple(named), served=counts[True], hidden=counts[False], unreadable=counts[None])


def _walk(root: bytes, hides: Hides) -> Iterator[Found | None]:
    """Yield each suspect, and None for each folder that cannot be listed."""
    waiting = [b""]
    while waiting:
        folder = waiting.pop()
        try:
            with os.scandir(os.path.join(root, folder)) as entries:
                for entry in entries:
                    hidden = hides(entry.name)
                    path = os.path.join(folder, entry.name)
                    if _is_suspect(entry.name):
                        yield Found(os.fsdecode(path), served=not hidden)
                    if not hidden and entry.is_dir(follow_symlinks=False):
                        waiting.append(path)
        except OSError:
            yield None


def _is_suspect(name: bytes) -> bool:
    return _suspect.match(name.decode("utf-8", "surrogateescape").casefold()) is not None
