"""Rules that state how catalogs are to be read where guessing is not good enough."""

from __future__ import annotations

import fnmatch
import os
import posixpath
from typing import TYPE_CHECKING, Any, BinaryIO, Callable

import attrs

from depotserve.config.source import Listing, Mapping, Scalar, Value, mapping_of, read
from depotserve.home import read_bounded
from depotserve.tree.digests import Algorithm, named
from depotserve.tree.expectations.catalogs.ruled import Rule, read_by
from depotserve.tree.expectations.listed import Dialect

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from depotserve.tree.expectations.listed import Item, Place

__all__ = ["Rules", "load_rules"]

_LARGEST = 256 * 1024  # bytes; the sample, with all its words, has one hundredth
_KEYS = ("match", "entries", "path", "url", "size", "digests", "algorithm", "digest", "base")
_BASES = ("folder", "root", "name")
_STEPS = "allowed are keys with / between them"


@attrs.frozen
class Rules:
    """Rules in the order of their file; the first that matches a catalog counts."""

    rules: tuple[Rule, ...]

    def dialect_for(self, path: bytes) -> Dialect | None:
        """Give the way to read the catalog at `path`, relative to the root; None without a rule."""
        rule = next((rule for rule in self.rules if _matches(rule, path)), None)
        if rule is None:
            return None

        def read_it(stream: BinaryIO, place: Place) -> Iterator[Item]:
            return read_by(rule, stream, place)

        return Dialect("catalog by rule", read_it, bases=rule.bases)


def _matches(rule: Rule, path: bytes) -> bool:
    """Compare with the whole path; a pattern without `/` with the file's name."""
    pattern = os.fsencode(rule.match)
    return fnmatch.fnmatchcase(path if b"/" in pattern else posixpath.basename(path), pattern)


_WORD = "key of a rule"


def load_rules(path: Path) -> Rules:
    """Read a file of rules.

    Raises CallerError naming file, line and key for the first fault, SurroundingsError for a file
    that cannot be read.
    """
    top = mapping_of(
        read(read_bounded(path, _LARGEST), name=str(path)), ("format", "catalogs"), called=_WORD
    )
    stated = _needed(top, "format")
    if not isinstance(stated, Scalar) or stated.text != "1" or not stated.plain:
        raise stated.at.fault("is of another form", "allowed is 1")
    catalogs = _needed(top, "catalogs")
    if not isinstance(catalogs, Listing):
        raise catalogs.at.fault("is no list", "allowed are lines of `- match: ...`")
    return Rules(tuple(map(_rule, catalogs.items)))


def _rule(value: Value) -> Rule:
    mapping = mapping_of(value, _KEYS, called=_WORD)
    rule = Rule(
        line=mapping.at.line,
        match=_text(_needed(mapping, "match")),
        entries=_steps(_needed(mapping, "entries")),
        path=_optional(mapping, "path", _list_of_keys, ()),
        url=_optional(mapping, "url", _steps, ()),
        size=_optional(mapping, "size", _steps, ()),
        digests=_optional(mapping, "digests", _digests, ()),
        algorithm=_optional(mapping, "algorithm", _steps, ()),
        digest=_optional(mapping, "digest", _steps, ()),
        bases=_optional(mapping, "base", _base, ("folder", "root")),
    )
    _check_together(mapping, rule)
    return rule


def _check_together(mapping: Mapping, rule: Rule) -> None:
    """Refuse a rule that says where a file is twice or not at all, or nothing of the file."""
    if bool(rule.path) == bool(rule.url):
        raise mapping.at.below("path").fault(
            "must say where the file is", "allowed is one of path and url"
        )
    if bool(rule.algorithm) != bool(rule.digest):
        raise mapping.at.below("digest").fault(
            "goes together with algorithm", "allowed are both or neither; else see digests"
        )
    if not rule.size and not rule.digests and not rule.digest:
        raise mapping.at.below("digests").fault(
            "is missing", "needed is at least one of size, digests, or algorithm and digest"
        )


def _needed(mapping: Mapping, key: str) -> Value:
    if key not in mapping.entries:
        raise mapping.at.below(key).fault("is missing", "it has no default")
    return mapping.entries[key]


def _optional(mapping: Mapping, key: str, take: Callable[[Value], Any], default: Any) -> Any:  # noqa: ANN401
    return take(mapping.entries[key]) if key in mapping.entries else default


def _text(value: Value) -> str:
    if isinstance(value, Scalar) and value.text and value.tag != "null":
        return value.text
    raise value.at.fault("is no text", "allowed is one text that is not empty")


def _steps(value: Value) -> tuple[str, ...]:
    steps = tuple(_text(value).split("/"))
    if not all(steps):
        raise value.at.fault("has a step without a name", _STEPS)
    return steps


def _list_of_keys(value: Value) -> tuple[tuple[str, ...], ...]:
    if not isinstance(value, Listing):
        return (_steps(value),)
    if not value.items:
        raise value.at.fault("is an empty list", _STEPS)
    return tuple(map(_steps, value.items))


def _digests(value: Value) -> tuple[tuple[Algorithm, tuple[str, ...]], ...]:
    if not isinstance(value, Mapping) or not value.entries:
        raise value.at.fault("names no digest", "allowed are lines such as `sha256: key`")
    return tuple((_algorithm(name, item), _steps(item)) for name, item in value.entries.items())


def _algorithm(name: str, value: Value) -> Algorithm:
    found = named(name)
    if found is None:
        allowed = "allowed are md5, sha1, sha256, sha384, sha512 and others of their families"
        raise value.at.fault("is an unknown kind of digest", allowed)
    return found


def _base(value: Value) -> tuple[str, ...]:
    if _text(value) not in _BASES:
        raise value.at.fault(f"{_text(value)!r} is unknown", f"allowed are {', '.join(_BASES)}")
    return (_text(value),)
