"""A catalog, read by the rule that a person stated for it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, BinaryIO

import attrs

from depotserve.tree.digests import Algorithm, named
from depotserve.tree.expectations.catalogs.documents import NoDocumentError, Thing, read_document
from depotserve.tree.expectations.catalogs.facts import digest_of, path_of, size_of, url_path
from depotserve.tree.expectations.listed import Item, Listed, Place, Unreadable, UnusableError

if TYPE_CHECKING:
    from collections.abc import Iterator

__all__ = ["Rule", "read_by"]

_ANY = "*"  # any key; in a path, the key that the entry stands under
_OUT = ".."  # the object around
_SELF = "."  # the document itself; in an entry, its own text
_DEEPEST = 8  # lists within lists under one key
_Steps = tuple[str, ...]


@attrs.frozen
class Rule:
    """How the catalogs that match are read; keys are steps from an entry."""

    line: int  # of the file of rules
    match: str
    entries: _Steps
    path: tuple[_Steps, ...]  # joined by `/`
    url: _Steps
    size: _Steps
    digests: tuple[tuple[Algorithm, _Steps], ...]
    algorithm: _Steps
    digest: _Steps
    bases: tuple[str, ...]


class _WrongError(Exception):
    """An entry lacks what the rule says, or has it in a form that says nothing."""


def read_by(rule: Rule, stream: BinaryIO, place: Place) -> Iterator[Item]:  # noqa: ARG001
    """Read a JSON or XML catalog by a rule.

    Raises UnusableError for what is neither, and for a document without any entry at the place
    that the rule names; and whatever the stream raises.
    """
    try:
        document = read_document(stream)
    except NoDocumentError as error:
        raise UnusableError(str(error)) from error
    count = 0
    for count, thing in enumerate(_entries(document, rule.entries), 1):
        yield from _items(rule, thing, count)
    if not count:
        where = "/".join(rule.entries)
        raise UnusableError(f"has no entry at {where}, where line {rule.line} of the rules has it")


def _entries(document: Any, steps: _Steps) -> Iterator[Thing]:  # noqa: ANN401
    """Yield what stands at the steps, in order; lists are gone into without a step."""
    steps = tuple(step for step in steps if step != _SELF)
    stack: list[tuple[Any, int, Thing | None, str | None]] = [(document, 0, None, None)]
    while stack:
        value, done, parent, key = stack.pop()
        if isinstance(value, list):
            stack.extend((item, done, parent, key) for item in reversed(value))
            continue
        thing = Thing(steps[:done], value if isinstance(value, dict) else {"": value}, parent, key)
        if done == len(steps):
            yield thing
        elif isinstance(value, dict):
            below = value.items() if steps[done] == _ANY else _only(value, steps[done])
            stack.extend([(item, done + 1, thing, name) for name, item in below][::-1])


def _only(fields: dict[str, Any], key: str) -> list[tuple[str, Any]]:
    return [(key, fields[key])] if key in fields else []


def _items(rule: Rule, thing: Thing, number: int) -> Iterator[Item]:
    """Give the entry; one fault of it does not keep the rest from being checked."""
    try:
        path = _path(rule, thing)
    except _WrongError as error:
        yield Unreadable(number, str(error))
        return
    size, digests = None, []
    try:
        size = _size(rule, thing)
        for algorithm, value in _digests(rule, thing):
            digests.append((algorithm, value))
    except _WrongError as error:
        yield Unreadable(number, str(error))
    yield Listed(path, number, size, tuple(digests))


def _path(rule: Rule, thing: Thing) -> bytes:
    if rule.url:
        found = url_path(_text(thing, rule.url))
    else:
        parts = [_text(thing, steps) for steps in rule.path]
        found = path_of("/".join(part.strip("/") for part in parts[:-1] if part) + "/" + parts[-1])
    if found is None:
        raise _WrongError("names no file")
    return found


def _size(rule: Rule, thing: Thing) -> int | None:
    if not rule.size:
        return None
    found = size_of(_one(thing, rule.size))
    if found is None:
        raise _WrongError(f"`{_shown(rule.size)}` is no whole number of bytes")
    return found


def _digests(rule: Rule, thing: Thing) -> Iterator[tuple[str, bytes]]:
    for algorithm, steps in rule.digests:
        yield _digest(_text(thing, steps), algorithm, steps)
    if not rule.digest:
        return
    kinds, texts = _select(thing, rule.algorithm), _select(thing, rule.digest)
    if len(kinds) != len(texts) or not texts:
        raise _WrongError(f"not one `{_shown(rule.algorithm)}` for each `{_shown(rule.digest)}`")
    for kind, text in zip(kinds, texts):
        found = named(str(kind)[:32])
        if found is None:
            raise _WrongError(f"{ascii(kind)[:40]} is an unknown kind of digest")
        yield _digest(str(text), found, rule.digest)


def _digest(text: str, algorithm: Algorithm, steps: _Steps) -> tuple[str, bytes]:
    value = digest_of(text.strip(), algorithm)
    if value is None:
        raise _WrongError(f"`{_shown(steps)}` is no digest of the kind {algorithm.name}")
    return algorithm.name, value


def _text(thing: Thing, steps: _Steps) -> str:
    value = _one(thing, steps)
    if not isinstance(value, str):
        raise _WrongError(f"`{_shown(steps)}` is no text")
    return value


def _one(thing: Thing, steps: _Steps) -> Any:  # noqa: ANN401
    found = _select(thing, steps)
    if len(found) != 1:
        count = "has no" if not found else f"has {len(found)} values of"
        raise _WrongError(f"{count} `{_shown(steps)}`")
    return found[0]


def _select(thing: Thing, steps: _Steps) -> list[Any]:
    """Give the plain values at the steps from an entry; lists are gone into."""
    here: Thing | None = thing
    while here is not None and steps and steps[0] == _OUT:
        here, steps = here.parent, steps[1:]
    if here is None:
        return []
    if steps == (_ANY,):
        return [here.key] if here.key is not None else []
    value: Any = here.fields
    for step in steps:
        name = "" if step == _SELF else step
        value = value.get(name) if isinstance(value, dict) else None
    return list(_plain(value, _DEEPEST))


def _plain(value: Any, depth: int) -> Iterator[Any]:  # noqa: ANN401
    if isinstance(value, list) and depth:
        for item in value:
            yield from _plain(item, depth - 1)
    elif value is not None and not isinstance(value, (dict, list)):
        yield value


def _shown(steps: _Steps) -> str:
    return "/".join(steps)
