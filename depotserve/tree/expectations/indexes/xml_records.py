"""Lists in XML whose root holds one element for each file: the elements, one after the other."""

from __future__ import annotations

from typing import TYPE_CHECKING, BinaryIO, NamedTuple

import attrs

from depotserve.tree.expectations.listed import UnusableError
from depotserve.tree.xml_events import BadXmlError, End, Start, events

if TYPE_CHECKING:
    from collections.abc import Iterator

__all__ = ["Child", "Record", "records"]

_MOST_CHILDREN = 1000  # that are asked for; a file has a handful of sizes, places and digests


class Child(NamedTuple):
    """An element right within a record."""

    name: str
    attributes: dict[str, str]
    text: str
    line: int


@attrs.define
class Record:
    """One element right within the root, with those of its children that were asked for."""

    line: int
    attributes: dict[str, str]
    children: list[Child] = attrs.field(factory=list)

    def every(self, name: str) -> list[Child]:
        """Give the children of that name, in order."""
        return [child for child in self.children if child.name == name]

    def first(self, name: str) -> Child | None:
        """Give the first child of that name."""
        return next(iter(self.every(name)), None)


def records(
    stream: BinaryIO, space: str, root: str, record: str, wanted: tuple[str, ...]
) -> Iterator[Record]:
    """Yield each `record` element of the `root`, both in the namespace `space`, and in it `wanted`.

    Names are local ones. Raises UnusableError for what is no such document, and whatever reading
    the stream raises.
    """
    try:
        yield from _records(stream, f"{space}|{root}", f"{space}|{record}", _names(space, wanted))
    except BadXmlError as error:
        raise UnusableError(str(error)) from error


def _names(space: str, wanted: tuple[str, ...]) -> dict[str, str]:
    return {f"{space}|{name}": name for name in wanted}


def _records(stream: BinaryIO, root: str, record: str, wanted: dict[str, str]) -> Iterator[Record]:
    open_elements: list[Start] = []
    current: Record | None = None
    for event in events(stream):
        if isinstance(event, Start):
            if not open_elements and event.name != root:
                raise UnusableError("another kind of XML document")
            open_elements.append(event)
            if len(open_elements) == 2 and event.name == record:
                current = Record(event.line, event.attributes)
            continue
        begun = open_elements.pop()
        if current is not None and len(open_elements) == 2 and event.name in wanted:
            _add(current, wanted[event.name], begun, event)
        elif current is not None and len(open_elements) == 1:
            yield current
            current = None


def _add(record: Record, name: str, begun: Start, end: End) -> None:
    if len(record.children) >= _MOST_CHILDREN:
        raise UnusableError(f"line {end.line}: more than {_MOST_CHILDREN} facts of one file")
    record.children.append(Child(name, begun.attributes, end.text.strip(), begun.line))
