"""The objects at one place of a document as a table: what stands under each of its keys."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import attrs

from depotserve.tree.digests import named
from depotserve.tree.expectations.catalogs.facts import (
    Claim,
    claims,
    looks_like_file,
    path_of,
    size_of,
    url_path,
)
from depotserve.tree.expectations.catalogs.vocabulary import Role, is_algorithm_key, role

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from depotserve.tree.expectations.catalogs.documents import Thing

__all__ = [
    "KEY",
    "AmbiguousError",
    "DigestColumn",
    "FactColumn",
    "PathColumn",
    "Table",
    "is_wrong",
    "one_line",
]

KEY = "*"  # stands for the key that an object itself stands under
_MOST_AROUND = 64  # keys of an enclosing object that are looked at; a map of files has more
_LONGEST_WORDS = 400  # characters
_BARE = frozenset(("type", "kind", "name", "method", "function"))  # say much else, too


class AmbiguousError(Exception):
    """It looks like a catalog, and there is more than one way to read it; the text says which."""

    def __init__(self, why: str) -> None:
        super().__init__(one_line(why))


@attrs.frozen
class PathColumn:
    """What one key says of where files are; None where it says nothing."""

    key: str
    role: Role
    texts: tuple[str | None, ...]
    paths: tuple[bytes | None, ...]

    @property
    def is_absolute(self) -> bool:
        """Tell whether there are whole addresses, whose folders are a server's."""
        return any("://" in text for text in self.texts if text)

    @property
    def is_usable(self) -> bool:
        """Tell whether at least half of what stands there could be a path."""
        there = sum(text is not None for text in self.texts)
        return 0 < there <= 2 * sum(path is not None for path in self.paths)

    @property
    def likeness(self) -> float:
        """Say what part of the paths end as names of files do."""
        texts = [path.decode("utf-8", "replace") for path in self.paths if path is not None]
        return sum(map(looks_like_file, texts)) / len(texts) if texts else 0


@attrs.frozen
class FactColumn:
    """Sizes under one key; None where there is none, and the numbers of those that are wrong."""

    key: str
    sizes: tuple[int | None, ...]
    wrong: frozenset[int]
    there: int


@attrs.frozen
class DigestColumn:
    """Digests under one key, for each object."""

    key: str
    claims: tuple[tuple[Claim, ...], ...]

    @property
    def good(self) -> int:
        """Count the digests that can be checked."""
        return sum(claim.value is not None for some in self.claims for claim in some)

    @property
    def wrong(self) -> int:
        """Count the texts that are no digest of their kind."""
        return sum(is_wrong(claim) for some in self.claims for claim in some)

    @property
    def unknown(self) -> str:
        """Name a kind of digest that is not known, if there is one."""
        kinds = (claim.kind for some in self.claims for claim in some)
        return next((kind for kind in kinds if kind and named(kind) is None), "")

    @property
    def by_length(self) -> bool:
        """Tell whether a kind is told by nothing but the digest's length."""
        return any(claim.by_length for some in self.claims for claim in some)


def is_wrong(claim: Claim) -> bool:
    """Tell a digest that is none of its kind; one of a kind that is not known is not wrong."""
    return claim.value is None and not (claim.kind and named(claim.kind) is None)


@attrs.frozen
class Table:
    """The objects at one place."""

    place: tuple[str, ...]
    things: tuple[Thing, ...]

    @property
    def keys(self) -> list[str]:
        """Give every key that any of them has, in order; KEY where they stand under keys."""
        own = [KEY] if any(thing.key is not None for thing in self.things) else []
        return [*own, *dict.fromkeys(key for thing in self.things for key in thing.fields)]

    def role(self, key: str) -> Role:
        """Tell what a key is likely to say; the text of an XML element goes by its name."""
        if key == KEY:
            return Role.PATH
        return role(self._named(key))

    def _named(self, key: str) -> str:
        if key or not self.place:
            return key
        if self.place[-1] != KEY:
            return self.place[-1]
        # What stands beside a file's name without a key is a digest (`documents.things`).
        around = [name for name in self.place if role(name) is Role.DIGEST]
        return around[-1] if around else "digest"

    def path_columns(self, keys: Iterable[str]) -> list[PathColumn]:
        """Read columns of paths or addresses, those that are usable."""
        columns = (self._path_column(key) for key in keys)
        return [column for column in columns if column.is_usable]

    def _path_column(self, key: str) -> PathColumn:
        texts = tuple(_text(thing, key) for thing in self.things)
        kind = self.role(key)
        read = url_path if kind is Role.URL else path_of
        if kind is Role.PATH and all(text.endswith("/") for text in texts if text):
            texts = tuple(text.rstrip("/") if text else text for text in texts)  # of folders
        if kind is not Role.URL and not any("/" in text for text in texts if text):
            # Separators of another system, where nothing has this one's.
            texts = tuple(text.replace("\\", "/") if text else text for text in texts)
        return PathColumn(key, kind, texts, tuple(read(text) if text else None for text in texts))

    def sizes(self, key: str) -> FactColumn:
        """Read a column of sizes."""
        values = [_scalar(thing.fields.get(key)) for thing in self.things]
        sizes = tuple(map(size_of, values))
        there = [number for number, value in enumerate(values) if value not in (None, "")]
        wrong = frozenset(number for number in there if sizes[number] is None)
        return FactColumn(key, sizes, wrong, len(there))

    def digests(self, key: str) -> DigestColumn:
        """Read a column of digests."""
        name = self._named(key)
        some = (
            tuple(claims(name, thing.fields[key], _kind_beside(thing)))
            if key in thing.fields
            else ()
            for thing in self.things
        )
        return DigestColumn(key, tuple(some))

    def folder_column(self, key: str) -> list[bytes | None]:
        """Read a column of folders; the root is None."""
        return [_folder(_text(thing, key)) for thing in self.things]

    def folders_around(self) -> list[bytes | None]:
        """Give for each object the folder that the nearest object around it names."""
        return [_folder_around(thing) for thing in self.things]

    def nesting(self, key: str) -> list[bytes | None]:
        """Give for each object the folder that the objects around it make, each by its own name.

        These are folders within folders at one place, and XML elements called folder or the like.
        """
        return [_nesting(thing, key) for thing in self.things]

    @property
    def containers(self) -> frozenset[int]:
        """Give the numbers of objects in which others of this table lie: folders, no files."""
        around = {
            one.number for thing in self.things for one in _around(thing) if one.place == self.place
        }
        return frozenset(index for index, thing in enumerate(self.things) if thing.number in around)


def _scalar(value: Any) -> Any:  # noqa: ANN401
    """Take `{"href": text}` for the text."""
    if isinstance(value, dict) and len(value) == 1:
        (value,) = value.values()
    return None if isinstance(value, (dict, list)) else value


def _text(thing: Thing, key: str) -> str | None:
    value = thing.key if key == KEY else _scalar(thing.fields.get(key))
    return value if isinstance(value, str) and value else None


def _around(thing: Thing) -> Iterator[Thing]:
    outer = thing.parent
    while outer is not None:
        if len(outer.fields) <= _MOST_AROUND:
            yield outer
        outer = outer.parent


def _kind_beside(thing: Thing) -> str:
    """Give what the object, or one around it, says of the kind of its digests."""
    if len(thing.fields) > _MOST_AROUND:
        return ""
    for one in (thing, *_around(thing)):
        for key, value in one.fields.items():
            if isinstance(value, str) and is_algorithm_key(key) and _is_kind(key, value):
                return value
    return ""


def _is_kind(key: str, value: str) -> bool:
    return named(value[:32]) is not None or (key.lower() not in _BARE and bool(value.strip()))


def _folder_around(thing: Thing) -> bytes | None:
    for one in _around(thing):
        for key in one.fields:
            text = _text(one, key)
            if text and role(key) is Role.FOLDER:
                return _folder(text)
    return None


def _nesting(thing: Thing, key: str) -> bytes | None:
    names = []
    for one in _around(thing):
        if _is_folder(one) or one.place == thing.place:
            keys = [key] if key in one.fields else [k for k in one.fields if role(k) is Role.NAME]
            names.append(_folder(_text(one, keys[0])) if keys else None)
    return b"/".join(name for name in reversed(names) if name) or None


def _is_folder(thing: Thing) -> bool:
    """Tell an object that is a folder: by the key that it stands under, or by its own word."""
    under = thing.place[-1] if thing.place else ""
    if Role.FOLDER in (role(under), role(under.removesuffix("s")), role(f"{under[:-3]}y")):
        return True
    kinds = (thing.fields[key] for key in thing.fields if key.lower() in ("type", "kind"))
    return any(isinstance(kind, str) and role(kind) is Role.FOLDER for kind in kinds)


def one_line(text: str) -> str:
    """Give text of a catalog, which may be anything, as a short line for a person."""
    short = text if len(text) <= _LONGEST_WORDS else f"{text[:_LONGEST_WORDS]}..."
    return "".join(c if c.isprintable() else ascii(c)[1:-1] for c in short)


def _folder(text: str | None) -> bytes | None:
    plain = (text or "").replace("\\", "/").rstrip("/")
    return path_of(plain) if plain not in ("", ".") else None
