"""Edit a file of terms, bytes to bytes: a user's lines are replaced, all others stay."""

from __future__ import annotations

import codecs
from typing import TYPE_CHECKING

import attrs
import yaml

from depotserve.accounts import moments, terms
from depotserve.errors import DepotError

if TYPE_CHECKING:
    from collections.abc import Mapping

    from depotserve.accounts.terms import Terms

__all__ = ["EMPTY", "amend"]

EMPTY = (
    b"# Terms of users: disabled, expires, previous. Change it with depotserve user.\n"
    b"# The last line is the end marker; a file without it counts as cut and is refused.\n"
    b"format: 1\n"
    b"users:\n"
    b"...\n"
)
_NAME = "terms.yaml"


@attrs.frozen
class _Block:
    """Where users stand, in lines from 0; each `end` is the first line after."""

    start: int
    end: int
    indent: str
    braces: bool
    users: Mapping[str, tuple[int, int]]


def amend(content: bytes | None, changes: Mapping[str, Terms]) -> bytes:
    """Set the terms of users; `terms.NONE` removes a user's entry.

    `content` is None for a file that is missing. Order, comments and line ends stay, except within
    a `users` that is written in braces, which is written anew in lines. Raises CallerError if the
    file has a fault, DepotError if the result would not read back as meant.
    """
    text = EMPTY if content is None else content
    old = terms.parse(text, name=_NAME)
    meant = {name: new for name, new in {**old, **changes}.items() if new != terms.NONE}
    result = _rewritten(text, changes, meant)
    read_back = terms.parse(result, name=_NAME)
    if {name: new for name, new in read_back.items() if new != terms.NONE} != meant:
        raise DepotError("the change would not read back as meant", where=_NAME)
    return result


def _rewritten(content: bytes, changes: Mapping[str, Terms], meant: Mapping[str, Terms]) -> bytes:
    text = content.decode("utf-8-sig")
    end = "\r\n" if "\r\n" in text else "\n"
    lines = text.splitlines(keepends=True)
    block = _find(content, lines)
    if block.braces:
        lines[block.start : block.end] = ["users:", *_entries(meant, block.indent)]
    else:
        _merge(lines, block, changes)
    whole = "".join(line if line.endswith(("\n", "\r")) else line + end for line in lines)
    mark = codecs.BOM_UTF8 if content.startswith(codecs.BOM_UTF8) else b""
    return mark + whole.encode()


def _merge(lines: list[str], block: _Block, changes: Mapping[str, Terms]) -> None:
    """Put the changed users in place, from the last line to the first so that numbers hold."""
    fresh = {name: new for name, new in changes.items() if name not in block.users}
    lines[block.end : block.end] = _entries(fresh, block.indent)
    if block.start == block.end:
        lines.insert(block.start, "users:")
    known = [name for name in block.users if name in changes]
    for name in sorted(known, key=lambda name: block.users[name], reverse=True):
        first, after = block.users[name]
        lines[first:after] = _entries({name: changes[name]}, block.indent)


def _find(content: bytes, lines: list[str]) -> _Block:
    """Find the lines of `users`; where it is missing they are empty, before the end marker."""
    root = terms.compose(content, name=_NAME)
    for key, value in root.value:
        if key.value == "users":
            return _block(key, value)
    marker = max(number for number, line in enumerate(lines) if line.rstrip() == terms.END)
    return _Block(marker, marker, "  ", braces=False, users={})


def _block(key: yaml.Node, value: yaml.Node) -> _Block:
    pairs = value.value if isinstance(value, yaml.MappingNode) else []
    users = {
        name.value: (name.start_mark.line, max(_after(name), _after(kept))) for name, kept in pairs
    }
    braces = isinstance(value, yaml.MappingNode) and bool(value.flow_style)
    indent = " " * pairs[0][0].start_mark.column if pairs and not braces else "  "
    start = key.start_mark.line
    return _Block(start, max(start + 1, _after(value)), indent, braces, users)


def _after(node: yaml.Node) -> int:
    """Give the first line after a node. A block's own end mark lies past following comments."""
    if isinstance(node, yaml.MappingNode) and not node.flow_style and node.value:
        return max(_after(part) for pair in node.value for part in pair)
    return int(node.end_mark.line) + 1


def _entries(users: Mapping[str, Terms], indent: str) -> list[str]:
    """Write users' entries, a line an item, without line ends."""
    return [
        line
        for name, kept in users.items()
        if kept != terms.NONE
        for line in (f"{indent}{_quoted(name)}:", *(indent * 2 + part for part in _parts(kept)))
    ]


def _parts(kept: Terms) -> list[str]:
    parts = []
    if kept.disabled:
        parts.append("disabled: true")
    if kept.expires is not None:
        parts.append(f"expires: {moments.show(kept.expires)}")
    if kept.previous is not None:
        until = moments.show(kept.previous.until)
        parts += ["previous:", f'  hash: "{kept.previous.hash.text}"', f"  until: {until}"]
    return parts


def _quoted(name: str) -> str:
    """Write a name as a double-quoted scalar, with escapes for what YAML does not print."""
    written: str = yaml.dump(name, default_style='"', allow_unicode=True, width=10**6)
    return written.rstrip("\n")
