"""All claims beside what is there: which of them do not hold."""

from __future__ import annotations

from typing import TYPE_CHECKING

from depotserve.tree.database import define

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from depotserve.tree.chunk import Beside
    from depotserve.tree.chunks import Chunks
    from depotserve.tree.inventory import Inventory

__all__ = ["Comparison"]

_SCHEMA = """
CREATE TABLE deviating (path BLOB PRIMARY KEY) WITHOUT ROWID;
CREATE TABLE plain (folder BLOB PRIMARY KEY, list INTEGER, algorithm TEXT, files INTEGER);
"""
# Of a folder with one list that names every file by one digest that is not weak, where all hold:
# there is no more to be said of such a folder than how many files it has.
_PLAIN = (
    "SELECT c.folder, c.list, c.plain, c.listed FROM folders f JOIN chunks c ON c.folder = f.path "
    "WHERE c.plain IS NOT NULL AND c.listed = f.files AND f.unread = 0 "
    "AND (SELECT count(*) FROM chunks o WHERE o.folder = f.path) = 1"
)
_NOT_PLAIN = (
    "SELECT folder FROM (SELECT path AS folder FROM folders UNION SELECT folder FROM chunks) "
    "WHERE folder NOT IN (SELECT folder FROM plain) ORDER BY folder"
)


class Comparison:
    """What came of comparing: plain folders, of which all is said, and paths that deviate."""

    def __init__(self, inventory: Inventory, chunks: Chunks) -> None:
        self._database, self._chunks = inventory.database, chunks
        define(self._database, _SCHEMA)

    def make(self) -> None:
        """Note each path of which a claim does not hold: nobody vouches for such a file."""
        self._database.execute(f"INSERT INTO plain {_PLAIN}")
        for beside in self.besides():
            self._database.executemany(
                "INSERT INTO deviating VALUES (?)", [(path,) for path in beside.deviating()]
            )

    def deviating(self) -> Iterator[bytes]:
        """Give what `make` noted, in order."""
        rows = self._database.execute("SELECT path FROM deviating ORDER BY path")
        return (path for (path,) in rows)

    def deviates(self, path: bytes) -> bool:
        """Tell whether `make` noted a path."""
        query = "SELECT 1 FROM deviating WHERE path = ?"
        return self._database.execute(query, (path,)).fetchone() is not None

    def besides(self) -> Iterator[Beside]:
        """Give each folder that is not plain, in order."""
        return self._chunks.besides(_NOT_PLAIN)

    def plain(self) -> list[tuple[int, str, int]]:
        """Count the files of plain folders, by the number of their list and its algorithm."""
        return self._database.execute(
            "SELECT list, algorithm, sum(files) FROM plain GROUP BY list, algorithm"
        ).fetchall()

    def take_out(self, folders: Iterable[bytes]) -> None:
        """Let folders be plain no more: there is more to say of their files."""
        self._database.executemany(
            "DELETE FROM plain WHERE folder = ?", [(folder,) for folder in folders]
        )
