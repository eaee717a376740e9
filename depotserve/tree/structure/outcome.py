"""What walking an archive told, and the two ways in which a walk ends early."""

from __future__ import annotations

import attrs

__all__ = ["BrokenError", "Structure", "UnwalkedError", "printable"]


@attrs.frozen
class Structure:
    """What a file is by its content, and whether its structure holds to its end.

    `kind` is None for what is no format that is walked. `wrong` says in one phrase what is cut
    short or damaged. `unwalked` says what of it could not be checked, which is no fault.
    """

    kind: str | None = None
    wrong: str | None = None
    unwalked: str | None = None


class BrokenError(Exception):
    """The structure is cut short or damaged; the text is the phrase for a person."""


class UnwalkedError(Exception):
    """The walk was given up, which says nothing against the file; the text says why."""


_LONGEST_NAME = 100  # characters of a member's name in a phrase


def printable(name: bytes) -> str:
    """Give a member's name for a phrase of one line: short, and what cannot be printed replaced."""
    text = name[: 4 * _LONGEST_NAME].decode("utf-8", "replace")
    shown = "".join(one if one.isprintable() else "\ufffd" for one in text)
    return shown if len(shown) <= _LONGEST_NAME else shown[:_LONGEST_NAME] + "…"
