"""What a look at a home finds: a grade, a topic, what was seen, and what to do about it."""

from __future__ import annotations

import shlex
from enum import Enum
from typing import TYPE_CHECKING

import attrs

if TYPE_CHECKING:
    from pathlib import Path

__all__ = ["Finding", "Grade", "caution", "command", "fault", "fine", "some"]

_MOST_NAMED = 5  # what a person reads in one line; the rest is counted


class Grade(Enum):
    """How a finding counts."""

    FINE = "fine"
    CAUTION = "caution"  # works, and protects or lasts less than it could
    FAULT = "fault"  # does not work, soon will not, or lets somebody in who should not be


@attrs.frozen
class Finding:
    """One thing that was looked at."""

    grade: Grade
    topic: str
    text: str
    advice: str = ""  # the one thing to do next; empty only for what is fine


def fine(topic: str, text: str) -> Finding:
    """Give a finding that asks for nothing."""
    return Finding(Grade.FINE, topic, text)


def caution(topic: str, text: str, advice: str) -> Finding:
    """Give a finding of what works and could be better."""
    return Finding(Grade.CAUTION, topic, text, advice)


def fault(topic: str, text: str, advice: str) -> Finding:
    """Give a finding of what does not work or is not safe."""
    return Finding(Grade.FAULT, topic, text, advice)


def command(*words: str | Path) -> str:
    """Give a command as a person can paste it into a shell."""
    return " ".join(shlex.quote(str(word)) for word in words)


def some(names: tuple[str, ...], count: int | None = None) -> str:
    """Name the first few of `count` things."""
    left = (len(names) if count is None else count) - len(names[:_MOST_NAMED])
    return ", ".join(names[:_MOST_NAMED]) + (f" and {left} more" if left else "")
