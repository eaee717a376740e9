"""Which keys of the objects at one place pair files with facts; pure, and no guess in doubt."""

from __future__ import annotations

from typing import TYPE_CHECKING

import attrs

from depotserve.tree.expectations.catalogs.columns import KEY, AmbiguousError, Table, is_wrong
from depotserve.tree.expectations.catalogs.doubts import (
    refuse_nameless_facts,
    refuse_nameless_paths,
)
from depotserve.tree.expectations.catalogs.evidence import Facts, find_facts
from depotserve.tree.expectations.catalogs.vocabulary import Role
from depotserve.tree.expectations.catalogs.whereabouts import Paths, find_paths

if TYPE_CHECKING:
    from collections.abc import Iterator

__all__ = ["Mapped", "Record", "map_table"]

# Of all the objects at one place; what has more is a map of something. Some keys are compared with
# each other, so that there must be a bound.
_MOST_KEYS = 128


@attrs.frozen
class Record:
    """What one object says of a file, or why it says nothing (`wrong`)."""

    index: int  # of the object in its table
    path: bytes = b""
    size: int | None = None
    digests: tuple[tuple[str, bytes], ...] = ()
    wrong: str = ""


@attrs.frozen
class Mapped:
    """The keys that were taken for what, and what they give."""

    path: str
    folder: str
    size: str
    digests: tuple[str, ...]
    doubts: tuple[str, ...]  # why this is less than sure
    records: tuple[Record, ...]


def map_table(table: Table) -> Mapped | None:
    """Find what the objects at one place say of files; None if they are of something else.

    Raises AmbiguousError.
    """
    if len(table.keys) > _MOST_KEYS:
        return None
    facts = find_facts(table)
    if facts is None:
        refuse_nameless_facts(table)
        return None
    paths = find_paths(table, has_digests=bool(facts.digests))
    if paths is None:
        refuse_nameless_paths(table, facts)
        return None
    folders = table.containers
    found = _records(paths, facts)
    records = tuple(record for record in found if record.index not in folders)
    good = sum(not record.wrong or bool(record.path) for record in records)
    if not _is_list(paths, facts, good, len(records)):
        return None
    size = facts.size.key if facts.size else ""
    digests = tuple(column.key for column in facts.digests)
    return Mapped(*paths.keys, size, digests, tuple(_doubts(paths, facts)), records)


def _is_list(paths: Paths, facts: Facts, good: int, count: int) -> bool:
    """Tell a list of files from objects that merely have such keys, such as settings of a log."""
    if 2 * good < count or not good:
        return False
    if paths.role is not Role.PATH and paths.likeness < 0.5:
        return False  # names of parts and packages, not of files
    return bool(facts.digests) or (good > 1 and paths.likeness >= 0.5)


def _doubts(paths: Paths, facts: Facts) -> Iterator[str]:
    if paths.role is Role.NAME:
        yield f"`{paths.keys[0]}` may name something else than files"
    if paths.keys[0] == KEY:
        yield "the files' names are keys"
    if not facts.digests:
        yield "sizes alone"
    if any(column.by_length for column in facts.digests):
        yield "the kind of digest is told by its length alone"
    unknown = next((column.unknown for column in facts.digests if column.unknown), "")
    if unknown:
        yield f"digests of the unknown kind {unknown} are passed over"


def _records(paths: Paths, facts: Facts) -> Iterator[Record]:
    for index, path in enumerate(paths.paths):
        if not facts.has(index):
            continue
        if not path:
            yield Record(index, wrong="names no file")
            continue
        size = facts.size.sizes[index] if facts.size else None
        digests, wrong = _digests(facts, index)
        if facts.size and index in facts.size.wrong:
            wrong = "its size is no whole number"
        yield Record(index, path, size, digests, wrong)


def _digests(facts: Facts, index: int) -> tuple[tuple[tuple[str, bytes], ...], str]:
    found: dict[str, bytes] = {}
    wrong = ""
    for claim in (claim for column in facts.digests for claim in column.claims[index]):
        if claim.value is None:
            wrong = "its digest is none of its kind" if is_wrong(claim) else wrong
        elif found.setdefault(claim.kind, claim.value) != claim.value:
            raise AmbiguousError(f"an object has two digests of the kind {claim.kind}")
    return tuple(found.items()), wrong
