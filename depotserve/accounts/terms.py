"""Terms of users: disabled, an expiry, the previous passphrase's hash until a date.

They stand in `terms.yaml`, whose last line is the YAML document end marker `...`: a file that was
cut lacks it and is refused, so that no cut lets a disabled user in. Reading is bytes to values.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Callable

import attrs
import yaml

from depotserve.accounts import hashes, moments, names
from depotserve.errors import CallerError

if TYPE_CHECKING:
    from datetime import datetime

    from depotserve.accounts.hashes import Hash

__all__ = ["LIMIT", "NONE", "Previous", "Terms", "compose", "parse"]

LIMIT = 1024 * 1024  # bytes; some 5,000 users with every term
END = "..."
_DEEPEST = 4  # the document, users, a user, previous
_STRING = "tag:yaml.org,2002:str"
# The parser in C, where PyYAML was built with it, is ten times faster.
_LOADER: Any = getattr(yaml, "CSafeLoader", yaml.SafeLoader)


@attrs.frozen
class Previous:
    """A passphrase that was replaced and still works until a moment (UTC)."""

    hash: Hash
    until: datetime


@attrs.frozen
class Terms:
    """On what terms a user may sign in."""

    disabled: bool = False
    expires: datetime | None = None
    previous: Previous | None = None


NONE = Terms()


@attrs.frozen
class _Place:
    """Where a value stands, for errors: the file and the keys that lead to it."""

    name: str
    keys: tuple[str, ...] = ()

    def at(self, key: str) -> _Place:
        return _Place(self.name, (*self.keys, key))

    def error(self, node: yaml.Node, what: str, allowed: str = "") -> CallerError:
        where = f"{self.name}:{node.start_mark.line + 1}"
        path = ": ".join(self.keys)
        return CallerError(what, where=f"{where}: {path}" if path else where, allowed=allowed)


def parse(content: bytes, *, name: str) -> dict[str, Terms]:
    """Read a file of terms: user names to terms, in the file's order.

    `name` is what errors call the file. Raises CallerError, as `NAME:LINE: KEY: what; allowed`,
    for a file without its end marker, over 1 MiB, that is no YAML, or with an unknown key, a
    wrong type, a value out of range or a duplicate key.
    """
    root = compose(content, name=name)
    place = _Place(name)
    fields = _fields(root, place, {"format": _format, "users": _users})
    if "format" not in fields:
        raise place.error(root, "format is missing", "format: 1")
    users: dict[str, Terms] = fields.get("users", {})
    return users


def compose(content: bytes, *, name: str) -> yaml.Node:
    """Read the YAML of a file of terms into nodes that know their lines. Raises CallerError."""
    text = _text(content, name)
    _require_end(text, name)
    try:
        _require_plain(text, name)
        root = yaml.compose(text, Loader=_LOADER)
    except yaml.YAMLError as error:
        mark = getattr(error, "problem_mark", None)
        where = f"{name}:{mark.line + 1}" if mark else name
        what = getattr(error, "problem", None) or "no YAML"
        raise CallerError(what, where=where) from error
    if root is None:
        raise CallerError("the file is empty", where=name, allowed="format: 1 is expected")
    return root


def _text(content: bytes, name: str) -> str:
    if len(content) > LIMIT:
        raise CallerError(f"the file is over {LIMIT} bytes", where=name)
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = content.count(b"\n", 0, error.start) + 1
        raise CallerError("the line is not UTF-8", where=f"{name}:{line}") from error


def _require_end(text: str, name: str) -> None:
    lines = text.splitlines()
    last = max((number for number, line in enumerate(lines, 1) if line.strip()), default=1)
    if not lines or lines[last - 1].rstrip() != END:
        raise CallerError(
            "the end marker is missing, so the file may have been cut",
            where=f"{name}:{last}",
            allowed="the last line is ...",
        )


def _require_plain(text: str, name: str) -> None:
    """Refuse anchors, aliases and deep nesting before a tree is built from them."""
    depth = 0
    for event in yaml.parse(text, Loader=_LOADER):
        depth += isinstance(event, yaml.CollectionStartEvent)
        depth -= isinstance(event, yaml.CollectionEndEvent)
        if getattr(event, "anchor", None) or depth > _DEEPEST:
            line = event.start_mark.line + 1 if event.start_mark else 1
            raise CallerError("an anchor, an alias or nesting too deep", where=f"{name}:{line}")


_Reader = Callable[[yaml.Node, _Place], Any]


def _pairs(node: yaml.Node, place: _Place) -> list[tuple[yaml.Node, str, yaml.Node]]:
    """List a mapping's keys and values. Raises CallerError for what is no mapping of texts."""
    if isinstance(node, yaml.ScalarNode) and node.value in {"", "~", "null"}:
        return []
    if not isinstance(node, yaml.MappingNode):
        raise place.error(node, "no mapping", "keys with values, one a line")
    pairs = [(key, _key(key, place), value) for key, value in node.value]
    seen: set[str] = set()
    for key, text, _ in pairs:
        if text in seen:
            raise place.at(text).error(key, "stands twice")
        seen.add(text)
    return pairs


def _key(node: yaml.Node, place: _Place) -> str:
    if node.tag != _STRING:
        raise place.error(node, "a key that is no text", 'put it in quotes, as in "007"')
    return str(node.value)


def _fields(node: yaml.Node, place: _Place, readers: dict[str, _Reader]) -> dict[str, Any]:
    fields = {}
    for key, text, value in _pairs(node, place):
        if text not in readers:
            raise place.at(text).error(key, "unknown key", "allowed: " + ", ".join(readers))
        fields[text] = readers[text](value, place.at(text))
    return fields


def _format(node: yaml.Node, place: _Place) -> int:
    if node.value != "1":
        raise place.error(node, "an unknown format", "format: 1")
    return 1


def _users(node: yaml.Node, place: _Place) -> dict[str, Terms]:
    users = {}
    for key, name, value in _pairs(node, place):
        fault = names.fault_of(name)
        if fault:
            raise place.error(key, fault)
        users[name] = Terms(**_fields(value, place.at(name), _TERMS))
    return users


def _truth(node: yaml.Node, place: _Place) -> bool:
    if node.tag != "tag:yaml.org,2002:bool" or node.value not in {"true", "false"}:
        raise place.error(node, "no truth value", "true or false")
    return bool(node.value == "true")


def _moment(node: yaml.Node, place: _Place) -> datetime:
    found = moments.read_moment(node.value) if isinstance(node, yaml.ScalarNode) else None
    if found is None:
        allowed = "a date, 2027-03-31 (the end of that day in UTC), or 2027-03-31T12:00:00Z"
        raise place.error(node, "no date that RFC 3339 knows", allowed)
    return found


def _previous(node: yaml.Node, place: _Place) -> Previous:
    fields = _fields(node, place, {"hash": _hash, "until": _moment})
    if len(fields) != 2:
        raise place.error(node, "hash or until is missing", "both are needed")
    return Previous(**fields)


def _hash(node: yaml.Node, place: _Place) -> Hash:
    found = hashes.recognise(str(node.value))
    if found is None or node.tag != _STRING:
        raise place.error(node, "no hash of a kind that is taken", hashes.ALLOWED)
    if (found.cost or 0) > hashes.DEAREST:
        raise place.error(node, f"bcrypt cost {found.cost}", f"cost 4 to {hashes.DEAREST}")
    return found


_TERMS: dict[str, _Reader] = {"disabled": _truth, "expires": _moment, "previous": _previous}
