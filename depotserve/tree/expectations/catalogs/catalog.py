"""Catalogs in JSON or XML whose form no standard fixes: read by a heuristic that says what it did.

Objects at one place of the document that pair a path, address or file name with a size or digests
are entries. What looks like a catalog and can be read in more than one way is refused rather than
guessed at; what is none (settings, data, lists of a program's parts) is passed over.

The heuristic looks at the document alone. Whether it is about this tree, the tree tells: see
`standing`.
"""

from __future__ import annotations

import posixpath
from enum import Enum
from typing import TYPE_CHECKING, Any, BinaryIO

import attrs

from depotserve.tree.expectations.catalogs.columns import KEY, AmbiguousError, Table, one_line
from depotserve.tree.expectations.catalogs.documents import (
    NoDocumentError,
    first,
    read_document,
    things,
)
from depotserve.tree.expectations.catalogs.facts import claims, looks_like_digest, looks_like_file
from depotserve.tree.expectations.catalogs.mapping import Mapped, Record, map_table
from depotserve.tree.expectations.catalogs.vocabulary import Role, role
from depotserve.tree.expectations.listed import (
    Dialect,
    Item,
    Listed,
    NotAListError,
    Place,
    Unreadable,
    UnusableError,
)

if TYPE_CHECKING:
    from collections.abc import Iterator

    from depotserve.tree.expectations.catalogs.documents import Thing

__all__ = [
    "BASES",
    "Catalog",
    "Guess",
    "Keys",
    "Standing",
    "dialect_of",
    "guess",
    "read_catalog",
    "standing",
]

BASES = ("folder", "root", "name")
_PACKED = (b".gz", b".bz2", b".xz", b".zst")
_SUFFIXES = {b".json": b"{[", b".jsonl": b"{", b".ndjson": b"{", b".xml": b"<"}
_TELLING = frozenset((Role.PATH, Role.URL, Role.NAME, Role.SIZE, Role.DIGEST))
_MOST_DAMAGED = 3  # files of a small catalog; more is no accident, as `check` has it of digests
_RULES = "--rules can state how to read it"


@attrs.frozen
class Keys:
    """What was taken for what at one place of the document."""

    place: str  # the keys that lead there, "*" for any key
    path: str
    folder: str
    size: str
    digests: tuple[str, ...]

    def __str__(self) -> str:
        """Say it for a person."""
        named = {"file": self.path, "folder": self.folder, "size": self.size}
        said = [f"{what} from `{key}`" for what, key in named.items() if key]
        said += [f"digest from `{key or 'text'}`" for key in self.digests]
        return f"{self.place or 'top'}: {', '.join(said)}"


@attrs.frozen
class Guess:
    """How a document is read, and how sure that is."""

    keys: tuple[Keys, ...] = ()
    entries: int = 0
    confidence: str = "low"  # or "high"
    reason: str = ""  # for the confidence
    refused: str = ""  # why it must not be guessed; the rest is then empty

    @property
    def summary(self) -> str:
        """Say in one line what was taken, and how sure that is."""
        if self.refused:
            return f"not guessed: {self.refused}; {_RULES}"
        taken = one_line("; ".join(map(str, self.keys)))
        sure = f"confidence {self.confidence}: {self.reason}"
        return f"guessed ({taken}), {self.entries} entries, {sure}"


@attrs.frozen
class Catalog:
    """A catalog that was read."""

    guess: Guess
    entries: tuple[Item, ...]


class Standing(Enum):
    """What a guessed catalog is worth for a tree."""

    COUNTS = "is held against the tree"
    DOUBTFUL = "may be about this tree or not, until --rules or --expect says so"
    FOREIGN = "looks like a catalog of something else"


def standing(entries: int, agreeing: int, vouching: int = 0) -> Standing:
    """Judge a guessed catalog by how many of its entries agree with a file of the tree.

    `vouching` are the entries whose path leads to a file, if digests are stated, whatever the size.

    An entry agrees if its path leads to a file (by any of `BASES`) that has the size it states; an
    entry without a size, if the file is there. Half of them make it a list of this tree: what they
    miss is missing. Next to none means that it speaks of other files: the sources or parts that a
    program was made of, what lies on another server, sizes that are no bytes of files. In between
    nobody can tell, and doubt is a fault: one, about the catalog, not one for each entry.

    Who states the digests of files that are here means them. A few sizes that are others then say
    that so many files are damaged; many, that they are no sizes in bytes.
    """
    if 2 * agreeing >= entries:
        return Standing.COUNTS
    if 2 * vouching >= entries:
        return Standing.COUNTS if entries - agreeing <= _MOST_DAMAGED else Standing.DOUBTFUL
    return Standing.DOUBTFUL if 10 * max(agreeing, vouching) >= entries else Standing.FOREIGN


def dialect_of(name: bytes, head: bytes) -> Dialect | None:
    """Tell by its name and its first bytes, decompressed, whether a file may be a catalog.

    To be asked after all standard formats: whether it is one, only reading it tells, and a file
    that is none raises NotAListError.
    """
    stem, suffix = posixpath.splitext(posixpath.basename(name).lower())
    if suffix in _PACKED:
        suffix = posixpath.splitext(stem)[1]
    begins = first(head)
    if not begins or begins not in _SUFFIXES.get(suffix, b""):
        return None
    kind = "XML" if begins == b"<" else "JSON"
    return Dialect(f"{kind} catalog", _read, bases=BASES, guessed=True)


def _read(stream: BinaryIO, place: Place) -> Iterator[Item]:
    found = read_catalog(stream, place)
    place.say(found.guess.summary)
    yield from found.entries


def read_catalog(stream: BinaryIO, place: Place) -> Catalog:  # noqa: ARG001  # as every reader
    """Read a JSON or XML catalog, and say how it was read.

    Raises NotAListError for a file that is none, UnusableError saying why for one that must not be
    guessed, and whatever the stream raises.
    """
    try:
        guessed, entries = _study(read_document(stream))
    except NoDocumentError as error:
        kind = UnusableError if error.promising else NotAListError
        raise kind(f"{error}; if it is a catalog, {_RULES}") from error
    if guessed is None:
        raise NotAListError("no objects in it pair files with sizes or digests")
    if guessed.refused:
        raise UnusableError(guessed.summary)
    return Catalog(guessed, entries)


def guess(document: Any) -> Guess | None:  # noqa: ANN401
    """Say how a document is to be read as a catalog; None if it is none.

    Raises NoDocumentError for a document that is too deep.
    """
    return _study(document)[0]


def _study(document: Any) -> tuple[Guess | None, tuple[Item, ...]]:  # noqa: ANN401
    try:
        mapped = [
            (table, found)
            for table in _tables(document)
            for found in [map_table(table)]
            if found is not None
        ]
        _refuse_files_in_files({table.place for table, _ in mapped})
        records = _in_order(mapped)
        entries = tuple(_items(records))
    except AmbiguousError as error:
        return Guess(refused=str(error)), ()
    return (_said(mapped, len(records)), entries) if mapped else (None, ())


def _tables(document: Any) -> list[Table]:  # noqa: ANN401
    """Put objects at one place together."""
    found: dict[tuple[str, ...], list[Thing]] = {}
    for thing in things(document, _is_map):
        if thing.key is not None or _is_telling(thing.fields):
            found.setdefault(thing.place, []).append(thing)
    return [Table(place, tuple(some)) for place, some in found.items()]


def _refuse_files_in_files(places: set[tuple[str, ...]]) -> None:
    """Refuse files that are listed within files, as what an archive holds is."""
    for place in places:
        outer = next((place[:n] for n in range(len(place)) if place[:n] in places), None)
        if outer is not None:
            where = "/".join(outer) or "top"
            raise AmbiguousError(
                f"whether the files listed within `{where}` lie in it is not clear"
            )


def _is_telling(fields: dict[str, Any]) -> bool:
    return any(role(key) in _TELLING for key in fields) or any(
        isinstance(value, str) and looks_like_digest(value) for value in fields.values()
    )


def _in_order(mapped: list[tuple[Table, Mapped]]) -> list[Record]:
    numbered = [
        (table.things[record.index].number, record)
        for table, found in mapped
        for record in found.records
    ]
    return [record for _, record in sorted(numbered, key=lambda pair: pair[0])]


def _is_map(fields: dict[str, Any]) -> bool:
    """Tell an object whose keys are files' names."""
    if not fields or 2 * sum(map(looks_like_file, fields)) < len(fields):
        return False
    values = fields.values()
    return all(isinstance(value, dict) for value in values) or all(map(_is_digest, values))


def _is_digest(value: Any) -> bool:  # noqa: ANN401
    return isinstance(value, str) and any(claim.value for claim in claims("digest", value))


def _items(records: list[Record]) -> Iterator[Item]:
    """Give what the records say, numbered from 1 on; what repeats word for word only once.

    Raises AmbiguousError if one path has different facts, for then it names no file.
    """
    known: dict[bytes, Record] = {}
    for number, record in enumerate(records, 1):
        if record.wrong:
            yield Unreadable(number, record.wrong)
        if not record.path:
            continue
        before = known.setdefault(record.path, record)
        if not _fit(before, record):
            raise AmbiguousError(f"{ascii(record.path)[2:-1]} has different facts in two entries")
        if before is record or before.digests != record.digests:
            yield Listed(record.path, number, record.size, record.digests)


def _fit(one: Record, other: Record) -> bool:
    sizes = {one.size, other.size} - {None}
    others = dict(other.digests)
    return len(sizes) < 2 and all(others.get(kind, value) == value for kind, value in one.digests)


def _said(mapped: list[tuple[Table, Mapped]], count: int) -> Guess:
    keys = tuple(
        Keys("/".join(table.place), _name(one.path, table), one.folder, one.size, one.digests)
        for table, one in mapped
    )
    doubts = list(dict.fromkeys(doubt for _, one in mapped for doubt in one.doubts))
    sure = "keys that name files, and digests whose kind is stated"
    return Guess(keys, count, "low" if doubts else "high", one_line(", ".join(doubts) or sure))


def _name(key: str, table: Table) -> str:
    return key or (table.place[-1] if table.place and table.place[-1] != KEY else "text")
