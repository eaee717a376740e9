"""JSON and XML documents, read whole into the same plain values, and the objects within them.

A value is a dict, a list, a text, a number, True, False or None. An XML element is its text if it
has nothing else; else a dict of its attributes and children, its own text under the key `""`, and
children of one name as a list. Namespaces are left out.
"""

from __future__ import annotations

import collections
import io
import itertools
import json
import re
from typing import TYPE_CHECKING, Any, BinaryIO, Callable, NamedTuple

from depotserve.tree.expectations.catalogs.rows import with_keys
from depotserve.tree.xml_events import BadXmlError, Start, events

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

__all__ = [
    "DEEPEST",
    "MOST",
    "NoDocumentError",
    "Thing",
    "first",
    "is_xml",
    "read_document",
    "things",
]

MOST = 64 * 1024 * 1024  # bytes: half a million entries, which take about 500 MiB when read
_MOST_VALUES = 4_000_000  # eight for each of those entries; an empty list takes 64 bytes
DEEPEST = 64  # levels, as xml_events
_LONGEST_INTEGER = 19  # digits of 2^63, beyond which no file's size goes
_LOOKED_AT = 1024 * 1024  # bytes: a catalog has a digest among them
_SEPARATORS = (b"{", b"[", b",", b"<")

# A key that speaks of a digest, with what may well be one: even cut short this was a catalog.
_PROMISE = re.compile(
    rb"(?:sha-?[0-9]|md5|checksum|digest)[^{}]{0,100}?[\"'>: ][0-9a-f]{32,128}[\"'<]", re.IGNORECASE
)


class NoDocumentError(Exception):
    """What cannot be read as JSON or XML; `promising` if it has digests all the same."""

    def __init__(self, why: str, *, promising: bool) -> None:
        super().__init__(why)
        self.promising = promising


class Thing(NamedTuple):
    """One object of a document."""

    place: tuple[str, ...]  # the keys that lead to it; lists add none, "*" stands for any key
    fields: dict[str, Any]
    parent: Thing | None = None
    key: str | None = None  # what it stands under, where its place ends in "*"
    number: int = 0  # from 0 on, in the order of the document


def read_document(stream: BinaryIO) -> Any:  # noqa: ANN401
    """Read JSON, one JSON value a line, or XML, as the first character tells.

    Raises NoDocumentError for what is neither, too large or too deep, for an object with a key
    twice, and for XML with a document type; and whatever the stream raises.
    """
    content = stream.read(MOST + 1)
    try:
        _refuse_excess(content)
        return _parse(content)
    except RecursionError as error:
        raise NoDocumentError("too deep", promising=_promises(content)) from error
    except (ValueError, BadXmlError) as error:
        raise NoDocumentError(_reason(error), promising=_promises(content)) from error


def _refuse_excess(content: bytes) -> None:
    if len(content) > MOST:
        raise ValueError(f"larger than {MOST} bytes, the most that is read, by rules too")
    if sum(map(content.count, _SEPARATORS)) > _MOST_VALUES:
        raise ValueError(f"more than {_MOST_VALUES} values, the most that is read, by rules too")


def _promises(content: bytes) -> bool:
    return _PROMISE.search(content[:_LOOKED_AT]) is not None


def _reason(error: Exception) -> str:
    if isinstance(error, json.JSONDecodeError):
        return f"line {error.lineno}: {error.msg}"
    if isinstance(error, UnicodeError):
        return "text in no encoding that is known"
    return str(error)


def _parse(content: bytes) -> Any:  # noqa: ANN401
    if is_xml(content[:64]):
        return _xml(content)
    text = content.decode(json.detect_encoding(content))
    try:
        return _DECODER.decode(text)
    except json.JSONDecodeError as error:
        if error.msg != "Extra data":
            raise
        return [_DECODER.decode(line) for line in text.split("\n") if line.strip()]


def is_xml(head: bytes) -> bool:
    """Tell XML by its first character."""
    return first(head) == b"<"


def first(head: bytes) -> bytes:
    """Give the first character, in any of Unicode's encodings, with a mark before it or without."""
    return head.lstrip(b"\xef\xbb\xbf\xff\xfe\0 \t\r\n")[:1]


def _object(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    fields = dict(pairs)
    if len(fields) != len(pairs):
        twice = collections.Counter(name for name, _ in pairs).most_common(1)[0][0]
        raise ValueError(f"an object has the key {twice[:64]!a} twice")
    return fields


def _integer(text: str) -> int | str:
    return int(text) if len(text) <= _LONGEST_INTEGER else text


_DECODER = json.JSONDecoder(
    object_pairs_hook=_object, parse_int=_integer, parse_constant=lambda _: None
)


def _xml(content: bytes) -> dict[str, Any]:
    stack: list[dict[str, Any]] = [{}]
    for event in events(io.BytesIO(content)):
        name = event.name.rpartition("|")[2]
        if isinstance(event, Start):
            stack.append({_local(key): value for key, value in event.attributes.items()})
            continue
        fields, text = stack.pop(), event.text.strip()
        if fields and text:
            fields[""] = text
        _add(stack[-1], name, fields or text)
    return stack[0]


def _local(name: str) -> str:
    return name.rpartition("|")[2]


def _add(fields: dict[str, Any], name: str, value: Any) -> None:  # noqa: ANN401
    if name not in fields:
        fields[name] = value
    elif isinstance(fields[name], list):
        fields[name].append(value)
    else:
        fields[name] = [fields[name], value]


class _Step(NamedTuple):
    value: Any
    place: tuple[str, ...]
    parent: Thing | None
    key: str | None
    depth: int


def things(document: Any, is_map: Callable[[dict[str, Any]], bool]) -> Iterator[Thing]:  # noqa: ANN401
    """Yield every object of a document in its order; `is_map` tells whose keys are no key words.

    Raises NoDocumentError for a document with more than DEEPEST levels, AmbiguousError for a table
    whose columns have no names.
    """
    stack = [_Step(document, (), None, None, 0)]
    numbers = itertools.count()
    while stack:
        step = stack.pop()
        if step.depth > DEEPEST:
            raise NoDocumentError(f"more than {DEEPEST} levels", promising=False)
        if isinstance(step.value, list):
            values = with_keys(step.value, step.parent.fields if step.parent else {})
            items = (step._replace(value=item, depth=step.depth + 1) for item in values)
            stack.extend(_reversed(items))
        elif isinstance(step.value, dict):
            thing = Thing(step.place, step.value, step.parent, step.key, next(numbers))
            yield thing
            members = _mapped if is_map(step.value) else _members
            stack.extend(_reversed(members(thing, step.depth + 1)))


def _reversed(steps: Iterable[_Step]) -> list[_Step]:
    return [step for step in steps if isinstance(step.value, (dict, list))][::-1]


def _members(thing: Thing, depth: int) -> Iterator[_Step]:
    for key, value in thing.fields.items():
        yield _Step(value, _below(thing.place, key), thing, None, depth)


def _below(place: tuple[str, ...], key: str) -> tuple[str, ...]:
    """Give the place below a key; folders within folders are all one place."""
    return place[: place.index(key) + 1] if key in place else (*place, key)


def _mapped(thing: Thing, depth: int) -> Iterator[_Step]:
    for key, value in thing.fields.items():
        fields = value if isinstance(value, dict) else {"": value}
        yield _Step(fields, (*thing.place, "*"), thing, key, depth)
