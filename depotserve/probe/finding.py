"""What a check saw, how it counts, and what to do about it."""

from __future__ import annotations

from enum import Enum

import attrs

__all__ = [
    "Finding",
    "State",
    "Throttled",
    "Trouble",
    "Where",
    "fault",
    "passed",
    "shown",
    "unknown",
]

_LONGEST_SHOWN = 160  # characters of what a server said; it decides how long its texts are


class State(Enum):
    """How a check came out."""

    PASS = "pass"  # noqa: S105  # a state
    FAULT = "fault"
    UNKNOWN = "unknown"  # could not be looked at


class Where(Enum):
    """On which side the next thing is to be done."""

    CLIENT = "client"
    DEPOT = "depot"


@attrs.frozen(kw_only=True)
class Finding:
    """One line of a report. A fault has a likely cause and the one thing to do next."""

    check: str = ""  # filled in by the plan
    seen: str
    state: State
    cause: str = ""
    advice: str = ""
    where: Where | None = None
    stops: bool = False  # whether a check that builds on this one would say nothing


class Trouble(Exception):  # noqa: N818  # what a check came upon, not an error of the program
    """A fault that any request can come upon; the check at hand reports its finding."""

    def __init__(self, finding: Finding) -> None:
        super().__init__(finding.seen)
        self.finding = finding


class Throttled(Trouble):
    """The depot wants fewer requests (429)."""


def passed(seen: str) -> Finding:
    """Give the finding of a check with nothing wrong."""
    return Finding(seen=seen, state=State.PASS)


def fault(seen: str, *, cause: str, advice: str, where: Where, stops: bool = True) -> Finding:
    """Give a fault; it stops what builds on it unless told otherwise."""
    return Finding(
        seen=seen, state=State.FAULT, cause=cause, advice=advice, where=where, stops=stops
    )


def unknown(seen: str, *, stops: bool = False) -> Finding:
    """Give the finding of a check that could not look."""
    return Finding(seen=seen, state=State.UNKNOWN, stops=stops)


def shown(text: str) -> str:
    """Give what a server said, cut to a length that fits a line."""
    return text if len(text) <= _LONGEST_SHOWN else f"{text[: _LONGEST_SHOWN - 1]}\u2026"
