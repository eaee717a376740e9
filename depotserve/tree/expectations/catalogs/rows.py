"""Tables that a document writes as arrays of arrays: each row gets the names of its columns."""

from __future__ import annotations

import itertools
from typing import TYPE_CHECKING, Any

from depotserve.tree.expectations.catalogs.columns import AmbiguousError
from depotserve.tree.expectations.catalogs.facts import looks_like_digest, looks_like_file
from depotserve.tree.expectations.catalogs.vocabulary import Role, role

if TYPE_CHECKING:
    from collections.abc import Iterable

__all__ = ["with_keys"]

_MOST_COLUMNS = 128  # as `mapping._MOST_KEYS`
_MOST_AROUND = 64  # values beside a table that are looked at, for there may be as many tables
_FILES = frozenset((Role.PATH, Role.URL, Role.NAME))
_FACTS = frozenset((Role.SIZE, Role.DIGEST))


def with_keys(values: list[Any], around: dict[str, Any]) -> list[Any]:
    """Give rows as objects, if the first one, or a list beside them in `around`, names columns.

    Any other list is given as it is. Raises AmbiguousError for rows that pair files with digests,
    and nobody says which is which.
    """
    if len(values) < 2 or not all(isinstance(value, list) for value in values):
        return values
    if _names_columns(values[0]):
        return _keyed(values[0], values[1:])
    for words in itertools.islice(around.values(), _MOST_AROUND):
        if _names_columns(words):
            return _keyed(words, values)
    if all(map(_pairs, values)):
        raise AmbiguousError("rows pair files with digests, and nothing names their columns")
    return values


def _names_columns(words: Any) -> bool:  # noqa: ANN401
    if not isinstance(words, list) or not 2 <= len(words) <= _MOST_COLUMNS:
        return False
    if not all(isinstance(word, str) for word in words) or len(set(words)) < len(words):
        return False
    roles = set(map(role, words))
    return bool(roles & _FILES) and bool(roles & _FACTS)


def _keyed(names: list[str], rows: Iterable[list[Any]]) -> list[Any]:
    return [dict(zip(names, row)) for row in rows]


def _pairs(row: list[Any]) -> bool:
    texts = [value for value in row[:_MOST_COLUMNS] if isinstance(value, str)]
    return any(map(looks_like_file, texts)) and any(map(looks_like_digest, texts))
