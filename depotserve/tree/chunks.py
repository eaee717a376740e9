"""The claims of all lists: a row holds what a list says of the files of one folder."""

from __future__ import annotations

import itertools
import marshal
import operator
from typing import TYPE_CHECKING

from depotserve.tree.chunk import Beside, Claim, Row, summed_up
from depotserve.tree.database import define
from depotserve.tree.held import Held, make_room, split

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator, Mapping

    from depotserve.tree.inventory import Inventory

__all__ = ["Chunks"]

_SCHEMA = """
CREATE TABLE chunks (
    number INTEGER PRIMARY KEY, folder BLOB, list INTEGER, claims BLOB,
    listed INTEGER, there INTEGER, agreeing INTEGER, unread INTEGER, plain TEXT
);
CREATE TABLE kin (chunk INTEGER, list INTEGER, kin BLOB, path BLOB);
"""
_INDEXES = (
    "chunk ON chunks (folder)",
    "said ON chunks (list)",  # a tree may have a list beside each of its files
    "kind ON kin (list, kin)",
    "kins ON kin (path)",
)
_MOST = 4096  # claims of a chunk
# Claims that wait for others of their folder. A list need not be in order: a row a line would look
# up its folder for each.
_WAITING = 32 * 1024
_NEAR = 4  # folders at hand: what is asked of paths is asked in their order


class Chunks:
    """Claims by list and by folder; `algorithms` names those of all digests that were entered."""

    def __init__(self, inventory: Inventory) -> None:
        self._inventory, self._database = inventory, inventory.database
        define(self._database, _SCHEMA)
        self.algorithms: set[str] = set()
        self._near: dict[bytes, dict[bytes, list[tuple[int, Claim]]]] = {}

    def enter(self, number: int, rows: Iterable[Row]) -> None:
        """Enter claims of a list. What `rows` raises may leave some: see `take_back`."""
        waiting: dict[bytes, list[Claim]] = {}  # by folder; what was added to last is last
        count = 0
        for folder, some in itertools.groupby(rows, operator.itemgetter(0)):
            claims = waiting.pop(folder, [])
            count -= len(claims)
            more = map(operator.itemgetter(1), some)
            claims += itertools.islice(more, _MOST - len(claims))
            while len(claims) == _MOST:
                self._enter_chunk(folder, number, claims)
                claims = list(itertools.islice(more, _MOST))
            waiting[folder] = claims
            count += len(claims)
            while count > _WAITING:
                first = next(iter(waiting))
                count -= len(waiting[first])
                self._enter_chunk(first, number, waiting.pop(first))
        for folder, claims in waiting.items():
            self._enter_chunk(folder, number, claims)

    def _enter_chunk(self, folder: bytes, number: int, claims: list[Claim]) -> None:
        if not claims:
            return
        held = self._inventory.held(folder) or Held(folder, {}, {})
        sums = summed_up(held, claims)
        chunk = self._database.execute(
            "INSERT INTO chunks (folder, list, claims, listed, there, agreeing, unread, plain) "
            "VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
            (folder, number, marshal.dumps(claims), *sums),
        ).lastrowid
        self.algorithms.update(one[3] for one in claims if one[3])
        self._database.executemany(
            "INSERT INTO kin VALUES (?, ?, ?, ?)",
            [(chunk, number, one[5], held.prefix + one[0]) for one in claims if one[5]],
        )

    def mark(self) -> int:
        """Give the mark that the newest claims lie at."""
        found = self._database.execute("SELECT coalesce(max(number), 0) FROM chunks").fetchone()
        return int(found[0])

    def take_back(self, after: int, until: int | None = None) -> None:
        """Remove the claims after a mark, up to another one."""
        last = self.mark() if until is None else until
        for query in (
            "DELETE FROM chunks WHERE number > ? AND number <= ?",
            "DELETE FROM kin WHERE chunk > ? AND chunk <= ?",
        ):
            self._database.execute(query, (after, last))

    def complete(self) -> None:
        """Say that all lists are in: what follows asks by path."""
        for index in _INDEXES:
            self._database.execute(f"CREATE INDEX {index}")

    def follow(self, behind: Callable[[bytes], bytes | None]) -> None:
        """Let what is said of a path that is no file count for the file that `behind` gives."""
        folders = self._database.execute(
            "SELECT DISTINCT folder FROM chunks WHERE plain IS NULL ORDER BY folder"
        ).fetchall()
        for (folder,) in folders:
            held = self._inventory.held(folder) or Held(folder, {}, {})
            absent = sorted(self.beside(held).absent())
            moves = {name: to for name in absent if (to := behind(held.prefix + name)) is not None}
            if moves:
                self._move(held, moves)
        self._near.clear()

    def _move(self, held: Held, moves: Mapping[bytes, bytes]) -> None:
        """Let what is said of some names in a folder count for other paths."""
        for chunk, number, claims in self.chunks_of(held.path):
            kept = [one for one in claims if one[0] not in moves]
            if len(kept) == len(claims):
                continue
            self._rewrite(chunk, kept)
            parts = ((split(moves[one[0]]), one) for one in claims if one[0] in moves)
            self.enter(number, ((folder, (name, *one[1:])) for (folder, name), one in parts))
        self._database.executemany(
            "DELETE FROM kin WHERE path = ?", [(held.prefix + name,) for name in moves]
        )

    def _rewrite(self, chunk: int, claims: list[Claim]) -> None:
        self._database.execute(
            "UPDATE chunks SET claims = ?, plain = NULL WHERE number = ?",
            (marshal.dumps(claims), chunk),
        )

    def drop(self, number: int, algorithm: str) -> None:
        """Forget the digests of a kind that a list states; its sizes stay."""
        for chunk, _, claims in self.of_list(number):
            kept = [
                (*claim[:3], None, None, *claim[5:]) if claim[3] == algorithm else claim
                for claim in claims
            ]
            self._rewrite(chunk, kept)
        self._near.clear()

    def of_list(self, number: int) -> Iterator[tuple[int, bytes, list[Claim]]]:
        """Give the number, the folder and the claims of each chunk of a list."""
        chunks = self._database.execute(
            "SELECT number FROM chunks WHERE list = ? ORDER BY number", (number,)
        ).fetchall()
        for (chunk,) in chunks:
            folder, claims = self._database.execute(
                "SELECT folder, claims FROM chunks WHERE number = ?", (chunk,)
            ).fetchone()
            yield chunk, folder, marshal.loads(claims)  # noqa: S302  # our own

    def of(self, path: bytes) -> list[tuple[int, Claim]]:
        """Give the claims about a path with the numbers of their lists, in their order."""
        folder, name = split(path)
        found = self._near.get(folder)
        if found is None:
            found = {}
            for _, number, claims in self.chunks_of(folder):
                for claim in claims:
                    found.setdefault(claim[0], []).append((number, claim))
            if (other := make_room(self._near, folder, _NEAR)) is not None:
                del self._near[other]
            self._near[folder] = found
        return sorted(found.get(name, ()), key=lambda one: (one[0], one[1][1]))

    def that_hold(self, value: bytes) -> Iterator[tuple[bytes, Claim]]:
        """Give the claims near which a value stands: `marshal` writes bytes as they are."""
        rows = self._database.execute(
            "SELECT folder, claims FROM chunks WHERE instr(claims, ?)", (value,)
        )
        for folder, claims in rows:
            prefix = folder + b"/" if folder else b""
            for claim in marshal.loads(claims):  # noqa: S302  # our own
                yield prefix + claim[0], claim

    def kin(self, number: int, kin: bytes) -> list[bytes]:
        """Give the paths of a list's entries of which a single one suffices."""
        rows = self._database.execute(
            "SELECT path FROM kin WHERE list = ? AND kin = ?", (number, kin)
        )
        return [path for (path,) in rows]

    def besides(self, folders: str) -> Iterator[Beside]:
        """Give what is there beside what is claimed, for the folders that a query gives."""
        for (folder,) in self._database.execute(folders):
            held = self._inventory.held(folder) or Held(folder, {}, {})
            yield self.beside(held)

    def beside(self, held: Held) -> Beside:
        """Give a folder and all that is claimed of its files."""
        return Beside(held, [row[1:] for row in self.chunks_of(held.path)])

    def chunks_of(self, folder: bytes) -> list[tuple[int, int, list[Claim]]]:
        """Give the number, the list's number and the claims of each chunk."""
        rows = self._database.execute(
            "SELECT number, list, claims FROM chunks WHERE folder = ? ORDER BY list, number",
            (folder,),
        ).fetchall()
        return [(number, found, marshal.loads(claims)) for number, found, claims in rows]  # noqa: S302
