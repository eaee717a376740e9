"""What can be found about a tree: kinds, worst first, and what each finding carries."""

from __future__ import annotations

from enum import Enum
from typing import NamedTuple

__all__ = ["BY_CHECK", "BY_SCAN", "Finding", "Kind", "Noted"]


class Kind(Enum):
    """A kind of finding: its word, and whether it is a fault. Worst first."""

    INFECTED = ("infected", True)
    MISSING = ("missing", True)
    SIZE = ("size differs", True)
    DIGEST = ("digest differs", True)
    EMPTY = ("empty", True)
    UNFINISHED = ("unfinished", True)
    CHANGED = ("changed while it was read", True)
    UNREADABLE = ("cannot be read", True)
    CUT_SHORT = ("cut short or damaged", True)
    SIGNATURE = ("signature is wrong", True)
    UNKNOWN_SIGNER = ("signature by a key that is not pinned", True)
    CONFLICT = ("listed with different digests", True)
    LINE = ("unreadable line of a list", True)
    LIST = ("list cannot be used", True)
    OTHER_FORM = ("same name, other form", True)
    FALLS_TOGETHER = ("names that fall together", True)
    NAME = ("name that media cannot hold", True)
    DANGLING = ("link that leads to nothing", True)
    ASTRAY = ("link that leads out of the tree", True)
    SPECIAL = ("neither file, folder nor link", True)
    NOT_SCANNED = ("not scanned", True)
    WEAK = ("vouched for by a weak digest alone", False)
    EXTRA = ("in no list", False)
    FOREIGN = ("catalog of other files", False)
    UNCHECKED = ("signature not checked", False)
    NOT_WALKED = ("structure not walked", False)
    LITTER = ("system litter", False)
    EMPTY_FOLDER = ("empty folder", False)
    LINK = ("link within the tree", False)

    def __init__(self, word: str, is_fault: bool) -> None:  # noqa: FBT001  # a row of the table
        self.word = word
        self.is_fault = is_fault


# What the one and the other command finds; some kinds both do.
_BY_SCAN_ALONE = frozenset((Kind.INFECTED, Kind.NOT_SCANNED))
BY_CHECK = frozenset(Kind) - _BY_SCAN_ALONE
BY_SCAN = _BY_SCAN_ALONE | {
    Kind.CHANGED,
    Kind.UNREADABLE,
    Kind.DANGLING,
    Kind.ASTRAY,
    Kind.SPECIAL,
}


class Finding(NamedTuple):
    """One finding about one path; `detail` is one line for a person."""

    kind: Kind
    path: bytes  # relative to the root; the file itself, or the list for a line of it
    detail: str = ""
    line: int = 0  # of the list that `path` names; 0 where there is none


class Noted(NamedTuple):
    """A finding, and the number of the rule that accepts it; None where none does."""

    finding: Finding
    rule: int | None
