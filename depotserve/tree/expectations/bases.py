"""What the paths of a list may be relative to."""

from __future__ import annotations

import posixpath
from typing import Callable

__all__ = ["BASES", "NAME"]

# No folder: the one file of the whole tree whose last component is that of the listed path.
NAME = "name"


def _folder(path: bytes) -> bytes:
    return posixpath.dirname(path)


def _root(_path: bytes) -> bytes:
    return b""


def _parent(path: bytes) -> bytes | None:
    folder = posixpath.dirname(path)
    return posixpath.dirname(folder) if folder else None


def _archive(path: bytes) -> bytes | None:
    before, dists, _ = (b"/" + path).rpartition(b"/dists/")
    return before[1:] if dists else None


def _name(_path: bytes) -> None:
    return None


# From a list's path to the folder that its entries begin at, both relative to the root; None where
# there is no such folder.
BASES: dict[str, Callable[[bytes], bytes | None]] = {
    "folder": _folder,
    "root": _root,
    "parent": _parent,  # the folder above the list's: rpm-md, where the list lies in `repodata/`
    "archive": _archive,  # what lies before `/dists/`: a Debian archive
    NAME: _name,
}
