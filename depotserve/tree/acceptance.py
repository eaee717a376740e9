"""Findings that a person has accepted: by rules that each have a reason, a name and an end."""

from __future__ import annotations

import fnmatch
import os
import re
from datetime import date
from typing import TYPE_CHECKING

import attrs

from depotserve.config.source import Listing, Mapping, Scalar, read
from depotserve.home import read_bounded
from depotserve.tree.entry import shown
from depotserve.tree.finding import Kind

if TYPE_CHECKING:
    from pathlib import Path

    from depotserve.config.source import Position, Value
    from depotserve.tree.findings import Findings
    from depotserve.tree.inventory import Inventory

__all__ = ["Rule", "accept", "load_rules"]

_LONGEST = 1024 * 1024  # bytes; ten thousand rules are more than a person can answer for
_KINDS = {kind.word: kind for kind in Kind if kind.is_fault}
_NEEDED = ("finding", "path", "reason", "by", "until")
_KEYS = frozenset((*_NEEDED, "size"))
_DAY = re.compile(r"[0-9]{4}-[0-9]{2}-[0-9]{2}")


@attrs.frozen
class Rule:
    """One thing that is accepted, why, by whom and until when."""

    kind: Kind
    path: str  # shell-style wildcards over the whole path; `*` covers `/` too
    size: int | None  # exactly that many bytes, where it is given
    reason: str
    by: str
    until: date  # the last day on which it counts
    line: int  # of the file of rules

    def fits(self, path: bytes, size: int | None) -> bool:
        """Tell whether it is about such a path and size; None for a file that is not there."""
        if self.size is not None and self.size != size:
            return False
        return fnmatch.fnmatchcase(shown(path), self.path)


def load_rules(path: Path) -> tuple[Rule, ...]:
    """Read a file of rules (`format: 1`, `accept:` a list). Raises CallerError naming the line."""
    top = _mapping(read(read_bounded(path, _LONGEST), name=os.fspath(path)))
    for key in top.entries:
        if key not in ("format", "accept"):
            raise top.entries[key].at.fault("is unknown", "allowed are format and accept")
    _format(top)
    rules = top.entries.get("accept")
    if not isinstance(rules, Listing):
        raise top.at.fault("has no list `accept`", "allowed is a list of rules")
    return tuple(_rule(_mapping(one)) for one in rules.items)


def accept(
    rules: tuple[Rule, ...], findings: Findings, inventory: Inventory, today: date
) -> dict[int, int]:
    """Let rules accept findings; give for each rule, by its place, how many it accepted.

    A rule whose last day is over accepts nothing.
    """
    accepted: dict[int, int] = {}
    for number, rule in enumerate(rules):
        accepted[number] = 0
        if rule.until < today:
            continue
        fits = [
            path
            for path in findings.paths(rule.kind)
            if rule.fits(path, entry.size if (entry := inventory.entry(path)) else None)
        ]
        accepted[number] = findings.accept(number, rule.kind, fits)
    return accepted


def _format(top: Mapping) -> None:
    found = top.entries.get("format")
    if not isinstance(found, Scalar) or found.text != "1":
        raise (found or top).at.fault("the format is not known", "allowed is format: 1")


def _mapping(value: Value) -> Mapping:
    if not isinstance(value, Mapping):
        raise value.at.fault("is no set of keys", f"allowed are {', '.join(sorted(_KEYS))}")
    return value


def _rule(value: Mapping) -> Rule:
    for key, one in value.entries.items():
        if key not in _KEYS:
            raise one.at.fault("is unknown", f"allowed are {', '.join(sorted(_KEYS))}")
    missing = [key for key in _NEEDED if key not in value.entries]
    if missing:
        raise value.at.fault(f"has no {missing[0]}", "each rule has a reason, a name and an end")
    kind, path = _text(value, "finding"), _text(value, "path")
    if kind not in _KINDS:
        raise _at(value, "finding").fault(f"{kind!r} is unknown", f"allowed are {_words()}")
    if not re.search(r"[^*?\[\]!/.]", path):
        raise _at(value, "path").fault(
            f"{path!r} fits everything", "allowed is a pattern that names something"
        )
    return Rule(
        kind=_KINDS[kind],
        path=path,
        size=_size(value),
        reason=_text(value, "reason"),
        by=_text(value, "by"),
        until=_until(value),
        line=value.at.line,
    )


def _words() -> str:
    return ", ".join(_KINDS)


def _at(value: Mapping, key: str) -> Position:
    return value.entries[key].at


def _text(value: Mapping, key: str) -> str:
    found = value.entries[key]
    if not isinstance(found, Scalar) or not found.text.strip():
        raise found.at.fault("is empty", "allowed is a text")
    return found.text.strip()


def _size(value: Mapping) -> int | None:
    if "size" not in value.entries:
        return None
    text = _text(value, "size")
    if not re.fullmatch("[0-9]{1,18}", text, re.ASCII):
        raise _at(value, "size").fault(f"{text!r} is no size", "allowed is a number of bytes")
    return int(text)


def _until(value: Mapping) -> date:
    text = _text(value, "until")
    try:
        if _DAY.fullmatch(text):
            return date.fromisoformat(text)
    except ValueError:
        pass
    raise _at(value, "until").fault(
        f"{text!r} is no day", "allowed is a date such as 2027-03-31, the last that it counts"
    )
