"""What lists say of files, beside what is there: in the same database as the inventory.

A row holds what one list says, in a row, of the files of one folder: see `chunk`.
"""

from __future__ import annotations

import marshal
from collections import Counter
from typing import TYPE_CHECKING, NamedTuple

from depotserve.tree.chunk import Beside, Row, Vouched
from depotserve.tree.chunks import Chunks
from depotserve.tree.digests import is_weak, name_at, rank
from depotserve.tree.inventory import ALWAYS, Held, split
from depotserve.tree.walk import entry_of_row

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping

    from depotserve.tree.entry import Entry
    from depotserve.tree.inventory import Inventory

__all__ = ["Claims", "ListRead", "Marked", "Measured", "Misfit", "Row", "Said"]

_SCHEMA = """
CREATE TABLE lists (
    number INTEGER PRIMARY KEY, path BLOB, dialect TEXT, guessed INTEGER,
    base TEXT DEFAULT '',
    within INTEGER, listed INTEGER DEFAULT 0, there INTEGER DEFAULT 0, detail TEXT DEFAULT '',
    signer TEXT
);
CREATE TABLE deviating (path BLOB PRIMARY KEY) WITHOUT ROWID;
CREATE TABLE plain (folder BLOB PRIMARY KEY, list INTEGER, algorithm TEXT, files INTEGER);
CREATE TABLE weak (path BLOB, algorithm TEXT);
"""
_FEW = 10  # candidates that a person can still choose from
# Of a folder with one list that names every file by one digest that is not weak, where all hold:
# there is no more to be said of such a folder than how many files it has.
_PLAIN = (
    "SELECT c.folder, c.list, c.plain, c.listed FROM folders f JOIN chunks c ON c.folder = f.path "
    "WHERE c.plain IS NOT NULL AND c.listed = f.files AND f.unread = 0 "
    "AND (SELECT count(*) FROM chunks o WHERE o.folder = f.path) = 1"
)


class Said(NamedTuple):
    """What one line of a list says of a file."""

    source: bytes  # the list's path
    line: int
    size: int | None
    algorithm: str | None
    digest: bytes | None
    signer: str | None = None  # who vouches for the list


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


class Misfit(NamedTuple):
    """Digests of a kind that a guessed list states, and of which not one is that of its file."""

    number: int
    path: bytes
    algorithm: str
    digests: int


class Marked(NamedTuple):
    """What can be said of a file's origin, and by what."""

    path: bytes
    size: int
    mark: str  # "authenticated", "self-consistent only", "unknown"
    signer: str | None
    weakest: str | None  # of the digests that vouch for it
    strongest: str | None


class Claims:
    """Every list's claims. Paths are relative to the root, resolved."""

    def __init__(self, inventory: Inventory) -> None:
        self._inventory, self._database = inventory, inventory.database
        inventory.define(_SCHEMA)
        self._chunks = Chunks(inventory)
        self._aside: set[bytes] = set()
        self._signed: dict[bytes, str] = {}
        self._signers: dict[int, str] = {}  # of lists
        self._sources: dict[int, bytes] | None = None  # their paths, once they are all in
        self._vouched: Counter[int] = Counter()  # by the weakest's rank
        self._authenticated = self._consistent = 0

    # Lists, one after the other.

    def begin(self, path: bytes, dialect: str, *, guessed: bool, within: bool) -> int:
        """Begin a list and give its number."""
        return int(
            self._database.execute(
                "INSERT INTO lists (path, dialect, guessed, within) VALUES (?, ?, ?, ?)",
                (path, dialect, guessed, within),
            ).lastrowid
            or 0
        )

    def enter(self, number: int, rows: Iterable[Row]) -> None:
        """Enter claims of a list. What `rows` raises may leave some: see `take_back`."""
        self._chunks.enter(number, rows)

    def mark(self) -> int:
        """Give the mark that the newest claims lie at."""
        return self._chunks.mark()

    def take_back(self, after: int, until: int | None = None) -> None:
        """Remove the claims after a mark, up to another one."""
        self._chunks.take_back(after, until)

    def measure(self, after: int) -> Measured:
        """Count the entries of lists after a mark, and how many of what they name are there."""
        row = self._database.execute(
            "SELECT coalesce(sum(listed), 0), coalesce(sum(there), 0), coalesce(sum(agreeing), 0) "
            "FROM chunks WHERE number > ?",
            (after,),
        ).fetchone()
        return Measured(*row)

    def end(self, number: int, base: str, measured: Measured, detail: str = "") -> None:
        """Note how a list came out."""
        self._database.execute(
            "UPDATE lists SET base = ?, listed = ?, there = ?, detail = ? WHERE number = ?",
            (base, measured.listed, measured.there, detail, number),
        )

    def forget(self, number: int) -> None:
        """Forget a list that turned out to be none."""
        self._database.execute("DELETE FROM lists WHERE number = ?", (number,))

    def lists(self) -> list[ListRead]:
        """Give the lists that were read."""
        rows = self._database.execute("SELECT * FROM lists ORDER BY number")
        return [
            ListRead(n, p, d, bool(g), b or "", bool(w), *rest) for n, p, d, g, b, w, *rest in rows
        ]

    def complete(self) -> None:
        """Say that all lists are in: what follows asks by path."""
        self._chunks.complete()
        self._sources = None

    # Files that speak for themselves: lists and signatures are not "in no list".

    def set_aside(self, paths: Iterable[bytes]) -> None:
        """Note files of which no list has to speak."""
        self._aside.update(paths)

    # Claims beside what is there.

    def wanted(self) -> Iterator[tuple[bytes, str]]:
        """Give the digests that claims need and that are not known: path, algorithm."""
        for beside in self._chunks.besides(
            "SELECT DISTINCT folder FROM chunks WHERE unread ORDER BY 1"
        ):
            held = beside.held
            for _, (name, _, _, algorithm, *_) in beside.claims():
                if algorithm is None or algorithm == ALWAYS or not held.is_file(name):
                    continue
                if held.digest(name, algorithm) is None:
                    yield held.prefix + name, algorithm

    def absent(self) -> Iterator[bytes]:
        """Give each path that is claimed and no file, in order."""
        besides = self._chunks.besides("SELECT DISTINCT folder FROM chunks WHERE plain IS NULL")
        return iter(sorted({path for beside in besides for path in beside.absent()}))

    def move(self, path: bytes, to: bytes) -> None:
        """Let what is said of `path` count for the file `to`, which it leads to."""
        self._chunks.move(path, to)

    def misfits(self, least: int) -> list[Misfit]:
        """Find the guessed lists of which no digest of a kind holds, of at least so many."""
        found = []
        for one in self.lists():
            if one.guessed:
                known, holding = self._digests_of(one.number)
                found += [
                    Misfit(one.number, one.path, algorithm, count)
                    for algorithm, count in known.items()
                    if count >= least and not holding[algorithm]
                ]
        return found

    def _digests_of(self, number: int) -> tuple[Counter[str], Counter[str]]:
        """Count a list's digests of files that are known, and those that hold, by algorithm."""
        known: Counter[str] = Counter()
        holding: Counter[str] = Counter()
        for beside in self._chunks.besides(
            f"SELECT DISTINCT folder FROM chunks WHERE list = {number} ORDER BY folder"
        ):
            for found, (name, _, _, algorithm, digest, _, _) in beside.claims():
                value = beside.held.digest(name, algorithm)
                if found == number and algorithm is not None and value is not None:
                    known[algorithm] += 1
                    holding[algorithm] += value == digest
        return known, holding

    def drop(self, one: Misfit) -> None:
        """Forget the digests of a kind that a list states; its sizes stay."""
        self._chunks.drop(one.number, one.algorithm)

    def compare(self) -> None:
        """Note each path of which a claim does not hold: nobody vouches for such a file."""
        self._database.execute(f"INSERT INTO plain {_PLAIN}")
        for beside in self._chunks.besides(_NOT_PLAIN):
            self._database.executemany(
                "INSERT INTO deviating VALUES (?)", [(path,) for path in beside.deviating()]
            )

    def deviating(self) -> Iterator[bytes]:
        """Give what `compare` noted, in order."""
        rows = self._database.execute("SELECT path FROM deviating ORDER BY path")
        return (path for (path,) in rows)

    def of(self, path: bytes) -> list[Said]:
        """Give all that is said of a path."""
        if self._sources is None:
            self._sources = {one.number: one.path for one in self.lists()}
        return [
            Said(self._sources[number], *claim[1:5], self._signers.get(number))
            for number, claim in self._chunks.of(path)
        ]

    def algorithms(self) -> list[str]:
        """Name the algorithms of all digests that are claimed."""
        return sorted(self._chunks.algorithms, key=rank)

    def expecting(self, digests: Mapping[str, bytes]) -> list[bytes]:
        """Give the paths of which a claimed digest is one of these."""
        return sorted(
            {
                path
                for algorithm, digest in digests.items()
                for path, claim in self._chunks.that_hold(digest)
                if (claim[3], claim[4]) == (algorithm, digest)
            }
        )

    def expecting_name(self, name: bytes) -> list[bytes]:
        """Give the paths that are claimed and end in a file name."""
        return sorted({path for path, claim in self._chunks.that_hold(name) if claim[0] == name})

    def missing_of_size(self, size: int) -> list[bytes]:
        """Give paths of which lists state this size and no digest, and that are not there."""
        besides = self._chunks.besides("SELECT DISTINCT folder FROM chunks WHERE plain IS NULL")
        return sorted({path for one in besides for path in one.missing_of_size(size)})[:_FEW]

    def wish_for(self, path: bytes) -> tuple[int | None, str]:
        """Give the size and the strongest digest that lists state for a path."""
        said = self.of(path)
        size = next((one.size for one in said if one.size is not None), None)
        known = [one for one in said if one.algorithm and one.digest]
        if not known:
            return size, ""
        best = max(known, key=lambda one: rank(one.algorithm or ""))
        return size, f"{best.algorithm}:{(best.digest or b'').hex()}"

    def is_to_be_told(self, path: bytes) -> bool:
        """Tell whether a missing file is to be told of.

        It is where a list that names it has none of its kin there instead, and none of its kin that
        comes after it: of several that would do, one is told of, and servers have what is packed.
        """
        return any(
            not claim[5] or not any(self._speaks_for(path, number, claim[5]))
            for number, claim in self._chunks.of(path)
        )

    def _speaks_for(self, path: bytes, number: int, kin: bytes) -> Iterator[bool]:
        """Tell for each of its kin whether it is there, or missing and told of in its place."""
        return (other > path or self._is_file(other) for other in self._chunks.kin(number, kin))

    def _is_file(self, path: bytes) -> bool:
        folder, name = split(path)
        held = self._inventory.held(folder)
        return held is not None and held.is_file(name)

    def extras(self) -> Iterator[tuple[bytes, int]]:
        """Give each file that no list names and that does not speak for itself, with its size."""
        for beside in self._chunks.besides(_NOT_PLAIN):
            held, named = beside.held, beside.names()
            for name in held.files():
                if name not in named and held.prefix + name not in self._aside:
                    yield held.prefix + name, held.states[name][1]

    # Who vouches for what.

    def trust(self, signed: Mapping[bytes, str]) -> None:
        """Note who signed which files, then which lists are vouched for by lists that are.

        A list that came with the files vouches for nothing by itself: whoever altered both is not
        seen. A weak digest hands no trust on, and nobody vouches for a file that deviates.
        """
        self._signed = {path: who for path, who in signed.items() if not self._deviates(path)}
        lists = self.lists()
        signers = {one.number: one.signer for one in lists if one.signer is not None}
        waiting: dict[bytes, list[int]] = {}
        for one in lists:
            if one.within and one.signer is None:
                if one.path in self._signed:
                    signers[one.number] = self._signed[one.path]
                else:
                    waiting.setdefault(one.path, []).append(one.number)
        trusted = list(signers)
        while trusted and waiting:
            number = trusted.pop()
            for path in self._vouched_by(number, waiting):
                found = waiting.pop(path, [])
                signers.update(dict.fromkeys(found, signers[number]))
                trusted += found
        self._signers = signers
        self._database.executemany(
            "UPDATE lists SET signer = ?2 WHERE number = ?1", list(signers.items())
        )

    def _vouched_by(self, number: int, paths: Mapping[bytes, object]) -> Iterator[bytes]:
        """Give those of some paths of which a list's digests hold that are not weak."""
        rows = self._database.execute(
            "SELECT folder, claims FROM chunks WHERE list = ? ORDER BY number", (number,)
        ).fetchall()
        for folder, claims in rows:
            prefix = folder + b"/" if folder else b""
            for name, _, _, algorithm, digest, _, _ in marshal.loads(claims):  # noqa: S302  # our own
                path = prefix + name
                if path not in paths or algorithm is None or is_weak(algorithm):
                    continue
                known = self._inventory.facts(path).get(algorithm)
                if digest == known and not self._deviates(path):
                    yield path

    def _deviates(self, path: bytes) -> bool:
        query = "SELECT 1 FROM deviating WHERE path = ?"
        return self._database.execute(query, (path,)).fetchone() is not None

    def vouch_for(self, number: int, signer: str) -> None:
        """Note that a list came by a way that the files did not."""
        self._database.execute("UPDATE lists SET signer = ? WHERE number = ?", (signer, number))

    def weigh(self) -> None:
        """Count the files whose claims hold, by the weakest digest, and those that are signed."""
        self._database.executemany(
            "DELETE FROM plain WHERE folder = ?", [split(path)[:1] for path in self._signed]
        )
        rows = self._database.execute(
            "SELECT list, algorithm, sum(files) FROM plain GROUP BY list, algorithm"
        )
        for number, algorithm, files in rows:
            place = rank(algorithm)
            self._count(Vouched(place, place, self._signers.get(number)), files)
        signed_alone = set(self._signed)
        for beside in self._chunks.besides(_NOT_PLAIN):
            signed_alone.difference_update(self._weigh(beside))
        self._authenticated += sum(map(self._is_file, signed_alone))

    def _weigh(self, beside: Beside) -> list[bytes]:
        """Count the files of a folder that digests vouch for, and give their paths."""
        vouched, prefix = beside.vouched(self._signers), beside.held.prefix
        for name, one in vouched.items():
            path = prefix + name
            self._count(one._replace(signer=self._signed.get(path, one.signer)))
            if path not in self._signed and is_weak(name_at(one.strongest)):
                self._database.execute(
                    "INSERT INTO weak VALUES (?, ?)", (path, name_at(one.strongest))
                )
        return [prefix + name for name in vouched]

    def _count(self, one: Vouched, files: int = 1) -> None:
        self._vouched[one.weakest] += files
        if one.signer is None:
            self._consistent += files
        else:
            self._authenticated += files

    def vouched(self) -> dict[str, int]:
        """Count the files that digests vouch for, by the weakest that does."""
        return {name_at(place): count for place, count in sorted(self._vouched.items())[::-1]}

    def vouches_for(self, path: bytes) -> bool:
        """Tell whether a digest vouches for a file, and all that is said of it holds."""
        folder, name = split(path)
        held = self._inventory.held(folder)
        return held is not None and name in self._chunks.beside(held).vouched(self._signers)

    def weakly_vouched(self) -> Iterator[tuple[bytes, str]]:
        """Give each file that a weak digest alone vouches for, with the strongest it has."""
        return iter(self._database.execute("SELECT path, algorithm FROM weak"))

    def marks(self) -> dict[str, int]:
        """Count the files that are authenticated, consistent with a list alone, and neither."""
        files, _ = self._inventory.count()
        return {
            "authenticated": self._authenticated,
            "self-consistent only": self._consistent,
            "unknown": files - self._authenticated - self._consistent,
        }

    def count_signed_lists(self) -> int:
        """Count the lists in the tree that are authenticated and name files that are there."""
        query = (
            "SELECT count(DISTINCT path) FROM lists WHERE within AND there AND signer IS NOT NULL"
        )
        return int(self._database.execute(query).fetchone()[0])

    def marked(self) -> Iterator[Marked]:
        """Give each file with its mark, by path."""
        return self._inventory.by_path(self._marked)

    def _marked(self, held: Held) -> Iterator[tuple[bytes, Marked]]:
        vouched = self._chunks.beside(held).vouched(self._signers)
        for name in held.files():
            path, one = held.prefix + name, vouched.get(name)
            signer = self._signed.get(path, one.signer if one else None)
            mark = "self-consistent only" if one else "unknown"
            yield (
                name,
                Marked(
                    path,
                    held.states[name][1],
                    "authenticated" if signer is not None else mark,
                    signer,
                    name_at(one.weakest) if one else None,
                    name_at(one.strongest) if one else None,
                ),
            )

    # Files that no digest vouches for.

    def leave(self, fact: str) -> tuple[int, int]:
        """Count the files, and their bytes, that nothing has judged and a fact is not known of."""
        count = size = 0
        for held, name in self._left():
            if held.digest(name, fact) is None:
                count, size = count + 1, size + held.states[name][1]
        return count, size

    def rest(self, fact: str) -> Iterator[Entry]:
        """Give the files that `leave` counts."""
        for held, name in self._left():
            if held.digest(name, fact) is None:
                yield entry_of_row(held.prefix + name, held.states[name])

    def facts_known(self, fact: str) -> Iterator[tuple[bytes, bytes]]:
        """Give path and fact of those of which it is known and says something."""
        for held, name in self._left():
            if found := held.digest(name, fact):
                yield held.prefix + name, found

    def _left(self) -> Iterator[tuple[Held, bytes]]:
        """Give each file, in its folder, that no digest vouches for and nothing has judged."""
        for beside in self._chunks.besides(_NOT_PLAIN):
            held, vouched = beside.held, beside.vouched(self._signers)
            judges = self._has_judged()
            for name in held.files():
                if name in vouched or (judges and self._is_judged(held.prefix + name)):
                    continue
                yield held, name

    def _has_judged(self) -> bool:
        query = "SELECT 1 FROM judged LIMIT 1"
        return self._database.execute(query).fetchone() is not None

    def _is_judged(self, path: bytes) -> bool:
        query = "SELECT 1 FROM judged WHERE path = ?"
        return self._database.execute(query, (path,)).fetchone() is not None


_NOT_PLAIN = (
    "SELECT folder FROM (SELECT path AS folder FROM folders UNION SELECT folder FROM chunks) "
    "WHERE folder NOT IN (SELECT folder FROM plain) ORDER BY folder"
)
