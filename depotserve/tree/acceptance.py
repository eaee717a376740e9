"""Findings that a person has accepted: by rules that each have a reason, a name and an end."""

from __future__ import annotations

import fnmatch
import os
import re
from datetime import date, timedelta
from typing import TYPE_CHECKING

import attrs

from depotserve.config.source import Listing, Mapping, Scalar, mapping_of, read
from depotserve.home import read_bounded
from depotserve.tree.entry import shown
from depotserve.tree.finding import Kind

if TYPE_CHECKING:
    from pathlib import Path

    from depotserve.config.source import Position
    from depotserve.tree.finding import Finding
    from depotserve.tree.findings import Findings
    from depotserve.tree.inventory import Inventory

__all__ = ["Accepting", "Rule", "accept", "load_rules"]

_LONGEST = 1024 * 1024  # bytes; ten thousand rules are more than a person can answer for
_KINDS = {kind.word: kind for kind in Kind if kind.is_fault}
_NEEDED = ("finding", "path", "reason", "by", "until")
_KEYS = (*_NEEDED, "size")
_WORD = "key of a rule"
# From today to a rule's last day: with a leap day, just a year. Whoever still wants it then looks
# again; one without an end in sight would be a switch that nobody turns back.
_LONGEST_TERM = timedelta(days=366)
_DAY = re.compile(r"[0-9]{4}-[0-9]{2}-[0-9]{2}")
_SET = re.compile(r"\[[^]]+\]")  # of a pattern: one of some characters
_LITERAL = re.compile(r"\[[*?[]\]")  # a wildcard that stands for itself


@attrs.frozen
class Rule:
    """One thing that is accepted, why, by whom and until when."""

    kind: Kind
    path: str  # shell-style wildcards over the whole path; `*` covers `/` too, case counts
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

    def is_over(self, today: date) -> bool:
        """Tell whether its last day is over; then it accepts nothing."""
        return self.until < today


@attrs.frozen
class Accepting:
    """All that is accepted on one day, for findings that come one by one."""

    rules: tuple[Rule, ...] = ()
    today: date = date.min

    def rule_for(self, finding: Finding, size: int | None) -> int | None:
        """Give the place of the first rule that accepts a finding about a file of that size."""
        fitting = (
            number
            for number, rule in enumerate(self.rules)
            if rule.kind is finding.kind
            and not rule.is_over(self.today)
            and rule.fits(finding.path, size)
        )
        return next(fitting, None)


def load_rules(path: Path, today: date) -> tuple[Rule, ...]:
    """Read a file of rules (`format: 1`, `accept:` a list). Raises CallerError naming the line.

    A rule's last day lies at most 366 days after `today`; it may be over.
    """
    whole = read(read_bounded(path, _LONGEST), name=os.fspath(path))
    top = mapping_of(whole, ("format", "accept"), called=_WORD)
    _format(top)
    rules = top.entries.get("accept")
    if not isinstance(rules, Listing):
        raise top.at.fault("has no list `accept`", "allowed is a list of rules")
    return tuple(_rule(mapping_of(one, _KEYS, called=_WORD), today) for one in rules.items)


def accept(
    rules: tuple[Rule, ...], findings: Findings, inventory: Inventory, today: date
) -> dict[int, int]:
    """Let rules accept findings; give for each rule, by its place, how many it accepted.

    What two rules fit, the first accepts. A rule whose last day is over accepts nothing.
    """
    accepted: dict[int, int] = {}
    for number, rule in enumerate(rules):
        accepted[number] = 0
        if rule.is_over(today):
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


def _rule(value: Mapping, today: date) -> Rule:
    missing = [key for key in _NEEDED if key not in value.entries]
    if missing:
        raise value.at.fault(f"has no {missing[0]}", "each rule has a reason, a name and an end")
    kind = _kind(value)
    path, size = _path(value), _size(value)
    _refuse_what_means_too_much(value, kind, path, size)
    return Rule(
        kind=kind,
        path=path,
        size=size,
        reason=_text(value, "reason"),
        by=_text(value, "by"),
        until=_until(value, today),
        line=value.at.line,
    )


def _kind(value: Mapping) -> Kind:
    word = _text(value, "finding")
    if word not in _KINDS:
        raise _at(value, "finding").fault(f"{word!r} is unknown", f"allowed are {_words()}")
    return _KINDS[word]


def _words() -> str:
    return ", ".join(_KINDS)


def _path(value: Mapping) -> str:
    """Give the pattern as it stands: a name may begin or end with blanks."""
    _text(value, "path")
    found = value.entries["path"]
    path = found.text if isinstance(found, Scalar) else ""
    if path.startswith(("/", "./")):
        raise found.at.fault(f"{path!r} fits nothing", "allowed is a path from the tree's root on")
    if not re.search(r"[^*?/.]", _SET.sub("", _LITERAL.sub("x", path))):
        allowed = "allowed is a pattern that names something"
        raise found.at.fault(f"{path!r} fits everything", allowed)
    return path


def _refuse_what_means_too_much(value: Mapping, kind: Kind, path: str, size: int | None) -> None:
    if kind is Kind.MISSING and size is not None:
        raise _at(value, "size").fault("fits nothing", "what is missing has no size")
    if kind is not Kind.INFECTED:
        return
    # One file that a person has looked into, never a group of them.
    if re.search(r"[*?[]", _LITERAL.sub("", path)):
        raise _at(value, "path").fault(
            f"{path!r} is a pattern", f"{kind.word!r} is accepted of one file alone, by its path"
        )
    if size is None:
        raise value.at.fault("has no size", f"{kind.word!r} is accepted by path and size alone")


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


def _until(value: Mapping, today: date) -> date:
    until = _day(value, "until")
    most = today + _LONGEST_TERM
    if until > most:
        raise _at(value, "until").fault(
            f"{until} is more than {_LONGEST_TERM.days} days ahead", f"allowed is {most} at most"
        )
    return until


def _day(value: Mapping, key: str) -> date:
    text = _text(value, key)
    try:
        if _DAY.fullmatch(text):
            return date.fromisoformat(text)
    except ValueError:
        pass
    raise _at(value, key).fault(
        f"{text!r} is no day", "allowed is a date such as 2027-03-31, the last that it counts"
    )
