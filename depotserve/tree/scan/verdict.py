"""What a scanner says: of itself, and of one file."""

from __future__ import annotations

from enum import Enum
from typing import TYPE_CHECKING, NamedTuple, Protocol

from depotserve.errors import SurroundingsError

if TYPE_CHECKING:
    from depotserve.tree.scan.content import Content
    from depotserve.tree.scan.stopping import Stopping

__all__ = ["Answer", "GoneError", "Scanner", "Verdict", "Version", "one_line"]

LONGEST_NAME = 200  # characters of a signature's name, or of a reason; names stay below 100


class GoneError(SurroundingsError):
    """The scanner cannot be asked: no file after this one can be scanned either."""


class Verdict(Enum):
    """What came of asking about one file. Only the first two are kept."""

    CLEAN = "clean"
    INFECTED = "infected"
    NOT_TAKEN = "not taken"  # the scanner answers, yet does not take this file
    NO_ANSWER = "no answer"  # the scanner failed at this file


class Answer(NamedTuple):
    """A verdict; `text` is the signature's name, or the reason why there is no verdict."""

    verdict: Verdict
    text: str = ""


class Version(NamedTuple):
    """What a scanner says of itself; the same version gives the same verdict of the same bytes."""

    engine: str
    signatures: str = ""  # their version and date; "" where it stands in `engine`

    @property
    def words(self) -> str:
        """Say it to a person."""
        return f"{self.engine}, signatures {self.signatures}" if self.signatures else self.engine


class Scanner(Protocol):
    """A way to have files scanned; used by several threads at once."""

    @property
    def way(self) -> str:
        """Name the way of asking; verdicts count only for the same one."""

    @property
    def at_once(self) -> int:
        """Say how many files are best scanned at once."""

    @property
    def largest(self) -> int | None:
        """Say the most bytes of a file that the scanner takes; None if that is not known."""

    def version(self, stop: Stopping) -> Version:
        """Ask the scanner what it is. Raises GoneError."""

    def is_dated(self, version: Version) -> bool:
        """Tell whether the version would change with the signatures."""

    def ask(self, content: Content, stop: Stopping) -> Answer:
        """Have one file scanned.

        Raises GoneError, StoppedError, and what `Content.pieces` raises.
        """


def one_line(text: bytes | str) -> str:
    """Give what a scanner wrote as one line of bounded length; it may hold anything."""
    if isinstance(text, bytes):
        text = text.decode("utf-8", "backslashreplace")
    return " ".join(text.split())[:LONGEST_NAME]
