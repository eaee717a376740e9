"""Settings text, read as YAML into values that know their line and key."""

from __future__ import annotations

import difflib
from typing import TYPE_CHECKING, Any, Union

import attrs
import yaml

from depotserve.errors import CallerError

if TYPE_CHECKING:
    from collections.abc import Sequence

__all__ = [
    "Listing",
    "Mapping",
    "Position",
    "Scalar",
    "Value",
    "mapping_of",
    "read",
    "refuse_unknown",
]

# A depot with a mount for each of a hundred lines and a dozen readers each stays far below.
MOST_VALUES = 10_000
DEEPEST = 10
_TAG = "tag:yaml.org,2002:"


@attrs.frozen
class Position:
    """Where in which file a value stands, and under which key."""

    name: str
    line: int
    key: str

    def below(self, key: str) -> Position:
        """Give the position of `key` in the mapping that stands here."""
        return attrs.evolve(self, key=f"{self.key}.{key}" if self.key else key)

    def fault(self, wrong: str, allowed: str = "") -> CallerError:
        """Give the error that says what is wrong here and what is allowed."""
        said = f"{self.key}: {wrong}" if self.key else wrong
        return CallerError(
            f"{said}, {allowed}" if allowed else said, where=f"{self.name}:{self.line}"
        )


@attrs.frozen
class Scalar:
    """One word, number or text: as written, with the type that YAML gives it."""

    at: Position
    text: str
    tag: str  # "str", "int", "float", "bool", "null", "timestamp", ...
    plain: bool  # written without quotes


@attrs.frozen
class Listing:
    """A list of values."""

    at: Position
    items: tuple[Value, ...]


@attrs.frozen
class Mapping:
    """Keys and their values; each key once."""

    at: Position
    entries: dict[str, Value]


Value = Union[Scalar, Listing, Mapping]


def read(content: bytes, *, name: str) -> Value:
    """Read one YAML document; `name` is what messages call the file.

    Aliases are followed, within a bound on all values. Raises CallerError naming file and line
    for text that is no UTF-8 or no YAML, too deep or too much, and for a key that is set twice.
    """
    text = _decode(content, name)
    try:
        _refuse_excess(text, name)
        node = yaml.compose(text, Loader=yaml.SafeLoader)
    except yaml.MarkedYAMLError as error:
        raise _no_yaml(error, name) from error
    except yaml.reader.ReaderError as error:
        line = text.count("\n", 0, error.position) + 1
        raise Position(name, line, "").fault("holds a character that YAML forbids") from error
    if node is None:
        raise Position(name, 1, "").fault("is empty", "format and content are needed")
    return _Conversion(name).convert(node, Position(name, _line(node.start_mark), ""), DEEPEST)


def mapping_of(value: Value, known: Sequence[str], *, called: str = "setting") -> Mapping:
    """Give a value that must hold keys, all of them known. Raises CallerError if it does not."""
    if not isinstance(value, Mapping):
        raise value.at.fault("holds no keys", "allowed are lines of `key: value`")
    refuse_unknown(value, known, called=called)
    return value


def refuse_unknown(mapping: Mapping, known: Sequence[str], *, called: str = "setting") -> None:
    """Raise CallerError for a key that is not known, with the one that may be meant."""
    for name, value in mapping.entries.items():
        if name not in known:
            nearest = difflib.get_close_matches(name, known, n=1)
            hint = f"did you mean {nearest[0]}?" if nearest else f"allowed are {', '.join(known)}"
            raise value.at.fault(f"is no {called}", hint)


def _decode(content: bytes, name: str) -> str:
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = content.count(b"\n", 0, error.start) + 1
        raise Position(name, line, "").fault("is no UTF-8 text") from error


def _no_yaml(error: yaml.MarkedYAMLError, name: str) -> CallerError:
    return Position(name, _line(error.problem_mark), "").fault(f"no valid YAML: {error.problem}")


def _line(mark: Any) -> int:  # noqa: ANN401  # the type's stubs call it optional or hide its fields
    return int(getattr(mark, "line", 0)) + 1


def _refuse_excess(text: str, name: str) -> None:
    """Refuse what would exhaust the composer, which calls itself for each level."""
    depth = 0
    for count, event in enumerate(yaml.parse(text, Loader=yaml.SafeLoader)):
        depth += isinstance(event, yaml.CollectionStartEvent)
        depth -= isinstance(event, yaml.CollectionEndEvent)
        if depth > DEEPEST or count > MOST_VALUES:
            raise _excess(Position(name, _line(event.start_mark), ""))


def _excess(at: Position) -> CallerError:
    return at.fault(
        "is too deep or too long",
        f"allowed are {DEEPEST} levels and {MOST_VALUES} values",
    )


class _Conversion:
    """One walk over a composed document, with its count of values."""

    def __init__(self, name: str) -> None:
        self._name = name
        self._left = MOST_VALUES

    def convert(self, node: yaml.Node, at: Position, depth: int) -> Value:
        self._left -= 1
        # An alias may stand for a large value many times, or for what holds itself.
        if self._left < 0 or depth < 0:
            raise _excess(at)
        if isinstance(node, yaml.MappingNode):
            return Mapping(at, self._entries(node, at, depth - 1))
        if isinstance(node, yaml.SequenceNode):
            items = (self.convert(item, self._at(item, at.key), depth - 1) for item in node.value)
            return Listing(at, tuple(items))
        plain = getattr(node, "style", None) is None
        return Scalar(at, str(node.value), node.tag.replace(_TAG, "", 1), plain)

    def _entries(self, node: yaml.Node, outer: Position, depth: int) -> dict[str, Value]:
        entries: dict[str, Value] = {}
        for name_node, value_node in node.value:
            if not isinstance(name_node, yaml.ScalarNode):
                raise self._at(name_node, outer.key).fault("has a key that is no word")
            name = str(name_node.value)
            at = self._at(name_node, outer.below(name).key)
            if name in entries:
                raise at.fault(
                    "is set twice", f"first on line {entries[name].at.line}; allowed is once"
                )
            entries[name] = self.convert(value_node, at, depth)
        return entries

    def _at(self, node: yaml.Node, key: str) -> Position:
        return Position(self._name, _line(node.start_mark), key)
