"""The lists of a run: what each is, how it came out, and who vouches for it."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

from depotserve.tree.database import define

if TYPE_CHECKING:
    from collections.abc import Mapping

    from depotserve.tree.inventory import Inventory

__all__ = ["ListRead", "Lists", "Measured"]

_SCHEMA = """
CREATE TABLE lists (
    number INTEGER PRIMARY KEY, path BLOB, dialect TEXT, guessed INTEGER,
    base TEXT DEFAULT '',
    within INTEGER, listed INTEGER DEFAULT 0, there INTEGER DEFAULT 0, detail TEXT DEFAULT '',
    signer TEXT
);
"""


class Measured(NamedTuple):
    """How much of what a list names is there."""

    listed: int  # entries; a file that is named twice counts twice
    there: int  # of them, files that are there
    agreeing: int  # of them, with the size that the list states, if any


class ListRead(NamedTuple):
    """A list that was read: what it is, and how much of what it names is there."""

    number: int
    path: bytes
    dialect: str
    guessed: int  # 1 for a heuristic
    base: str
    within: int  # 1 in the tree, 0 where it was given from elsewhere
    listed: int
    there: int
    detail: str  # how a guessed catalog was read
    signer: str | None  # who vouches for the list itself, directly or through another list


class Lists:
    """Lists by their numbers, in the order in which they are read."""

    def __init__(self, inventory: Inventory) -> None:
        self._database = inventory.database
        define(self._database, _SCHEMA)

    def begin(self, path: bytes, dialect: str, *, guessed: bool, within: bool) -> int:
        """Begin a list and give its number."""
        return int(
            self._database.execute(
                "INSERT INTO lists (path, dialect, guessed, within) VALUES (?, ?, ?, ?)",
                (path, dialect, guessed, within),
            ).lastrowid
            or 0
        )

    def end(self, number: int, base: str, measured: Measured, detail: str = "") -> None:
        """Note how a list came out."""
        self._database.execute(
            "UPDATE lists SET base = ?, listed = ?, there = ?, detail = ? WHERE number = ?",
            (base, measured.listed, measured.there, detail, number),
        )

    def forget(self, number: int) -> None:
        """Forget a list that turned out to be none."""
        self._database.execute("DELETE FROM lists WHERE number = ?", (number,))

    def all(self) -> list[ListRead]:
        """Give the lists that were read."""
        rows = self._database.execute("SELECT * FROM lists ORDER BY number")
        return [
            ListRead(n, p, d, bool(g), b or "", bool(w), *rest) for n, p, d, g, b, w, *rest in rows
        ]

    def count_signed(self) -> int:
        """Count the lists in the tree that are authenticated and name files that are there."""
        query = (
            "SELECT count(DISTINCT path) FROM lists WHERE within AND there AND signer IS NOT NULL"
        )
        return int(self._database.execute(query).fetchone()[0])

    def vouch_for(self, number: int, signer: str) -> None:
        """Note that a list came by a way that the files did not."""
        self.sign({number: signer})

    def sign(self, signers: Mapping[int, str]) -> None:
        """Note who vouches for which lists."""
        self._database.executemany(
            "UPDATE lists SET signer = ?2 WHERE number = ?1", list(signers.items())
        )
