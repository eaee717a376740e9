"""Digests of the files that are to be scanned, so that what was scanned before is recognised."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

from depotserve.tree.scan.content import ChangedError, UnreadableError, opened
from depotserve.tree.scan.stopping import Stopping

if TYPE_CHECKING:
    from collections.abc import Generator, Iterable, Mapping
    from pathlib import Path

    from depotserve.tree.entry import Entry

__all__ = ["ALGORITHM", "Hashed", "hash_files"]

ALGORITHM = "sha256"


class Hashed(NamedTuple):
    """What came of a file, in the shape of `tree.hashing.Hashed`."""

    entry: Entry
    digests: Mapping[str, bytes]
    wrong: str = ""
    changed: bool = False
    grown: bool = False


def hash_files(root: Path, entries: Iterable[Entry]) -> Generator[Hashed, None, None]:
    """Read each file once and give its digest, or why there is none."""
    return (_hashed(root, entry) for entry in entries)


def _hashed(root: Path, entry: Entry) -> Hashed:
    try:
        with opened(root, entry) as content:
            for _ in content.pieces(Stopping()):
                pass
            content.check_unchanged()
            return Hashed(entry, {ALGORITHM: content.digest})
    except ChangedError:
        return Hashed(entry, {}, changed=True)
    except UnreadableError as error:
        return Hashed(entry, {}, wrong=str(error))
