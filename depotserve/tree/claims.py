"""What lists say of files, beside what is there: in the same database as the inventory."""

from __future__ import annotations

import posixpath
from typing import TYPE_CHECKING, NamedTuple, Optional

from depotserve.tree.digests import is_weak, name_at, rank
from depotserve.tree.entry import Entry, Kind
from depotserve.tree.inventory import insert_rows

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping

    from depotserve.tree.inventory import Inventory

__all__ = ["Claims", "ListRead", "Marked", "Measured", "Misfit", "Row", "Said"]

_SCHEMA = """
CREATE TABLE lists (
    number INTEGER PRIMARY KEY, path BLOB, dialect TEXT, guessed INTEGER,
    base TEXT DEFAULT '',
    within INTEGER, listed INTEGER DEFAULT 0, there INTEGER DEFAULT 0, detail TEXT DEFAULT '',
    signer TEXT
);
CREATE TABLE claims (
    path BLOB, list INTEGER, line INTEGER, size INTEGER, algorithm TEXT, digest BLOB, kin BLOB,
    head INTEGER
);
CREATE TABLE set_aside (path BLOB PRIMARY KEY) WITHOUT ROWID;
CREATE TABLE signed (path BLOB PRIMARY KEY, signer TEXT) WITHOUT ROWID;
CREATE TABLE ranks (algorithm TEXT PRIMARY KEY, rank INTEGER, weak INTEGER) WITHOUT ROWID;
"""
_FILE = int(Kind.FILE)
_FEW = 10  # candidates that a person can still choose from
# A claim, what lies at its path, and the digest that this has.
_BESIDE = f"""
FROM claims c
LEFT JOIN entries e ON e.path = c.path AND e.kind = {_FILE}
LEFT JOIN facts f ON f.path = c.path AND f.algorithm = c.algorithm
"""


# A claim as it is entered: path, list, line, size, algorithm, digest, kin (`Listed.group`), and 1
# for the first claim of an entry, which may have several digests.
Row = tuple[bytes, int, int, Optional[int], Optional[str], Optional[bytes], bytes, int]


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
        self._database = inventory.database
        inventory.define(_SCHEMA)

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

    def enter(self, rows: Iterable[Row]) -> None:
        """Enter claims. What `rows` raises may leave some entered: see `take_back`."""
        insert_rows(self._database, "claims", 8, rows)

    def mark(self) -> int:
        """Give the mark that the newest claim lies at."""
        found = self._database.execute("SELECT coalesce(max(rowid), 0) FROM claims").fetchone()
        return int(found[0])

    def take_back(self, after: int, until: int | None = None) -> None:
        """Remove the claims after a mark, up to another one."""
        self._database.execute(
            "DELETE FROM claims WHERE rowid > ? AND rowid <= ?",
            (after, self.mark() if until is None else until),
        )

    def measure(self, after: int) -> Measured:
        """Count the entries of lists after a mark, and how many of what they name are there."""
        row = self._database.execute(
            "SELECT count(*), count(e.path), "
            "coalesce(sum(e.path IS NOT NULL AND (c.size IS NULL OR c.size = e.size)), 0) "
            f"FROM claims c LEFT JOIN entries e ON e.path = c.path AND e.kind = {_FILE} "
            "WHERE c.rowid > ? AND c.head",
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
        self._database.execute("CREATE INDEX claim ON claims (path)")
        self._database.execute("CREATE INDEX kin ON claims (list, kin) WHERE kin <> x''")
        used = self._database.execute(
            "SELECT DISTINCT algorithm FROM claims WHERE algorithm IS NOT NULL"
        ).fetchall()
        self._database.executemany(
            "INSERT INTO ranks VALUES (?, ?, ?)",
            ((name, rank(name), is_weak(name)) for (name,) in used),
        )

    # Files that speak for themselves: lists and signatures are not "in no list".

    def set_aside(self, paths: Iterable[bytes]) -> None:
        """Note files of which no list has to speak."""
        self._database.executemany(
            "INSERT OR IGNORE INTO set_aside VALUES (?)", ((path,) for path in paths)
        )

    # Claims beside what is there.

    def wanted(self) -> str:
        """Give the query of the digests that claims need: path, algorithm."""
        return (
            "SELECT DISTINCT c.path AS path, c.algorithm AS algorithm FROM claims c "
            f"JOIN entries e ON e.path = c.path AND e.kind = {_FILE} "
            "WHERE c.algorithm IS NOT NULL AND c.algorithm <> 'sha256'"
        )

    def absent(self) -> Iterator[bytes]:
        """Give each path that is claimed and no file, in order."""
        rows = self._database.execute(
            f"SELECT DISTINCT c.path {_BESIDE} WHERE e.path IS NULL ORDER BY c.path"
        )
        return (path for (path,) in rows)

    def move(self, path: bytes, to: bytes) -> None:
        """Let what is said of `path` count for the file `to`, which it leads to."""
        self._database.execute("UPDATE claims SET path = ? WHERE path = ?", (to, path))

    def misfits(self, least: int) -> list[Misfit]:
        """Find the guessed lists of which no digest of a kind holds, of at least so many."""
        if not self._database.execute("SELECT count(*) FROM lists WHERE guessed").fetchone()[0]:
            return []
        rows = self._database.execute(
            "SELECT l.number, l.path, c.algorithm, count(*) FROM claims c "
            "JOIN lists l ON l.number = c.list "
            "JOIN facts f ON f.path = c.path AND f.algorithm = c.algorithm "
            "WHERE l.guessed GROUP BY l.number, c.algorithm "
            "HAVING count(*) >= ? AND NOT sum(f.value = c.digest)",
            (least,),
        )
        return [Misfit(*row) for row in rows]

    def drop(self, one: Misfit) -> None:
        """Forget the digests of a kind that a list states; its sizes stay."""
        self._database.execute(
            "UPDATE claims SET algorithm = NULL, digest = NULL WHERE list = ? AND algorithm = ?",
            (one.number, one.algorithm),
        )

    def compare(self) -> None:
        """Note each path of which a claim does not hold: nobody vouches for such a file."""
        self._database.execute("CREATE TABLE deviating (path BLOB PRIMARY KEY) WITHOUT ROWID")
        self._database.execute(
            f"INSERT INTO deviating SELECT DISTINCT c.path {_BESIDE} WHERE e.path IS NULL "
            "OR (c.size IS NOT NULL AND c.size <> e.size) "
            "OR (c.digest IS NOT NULL AND f.value IS NOT c.digest) ORDER BY c.path"
        )

    def deviating(self) -> Iterator[bytes]:
        """Give what `compare` noted, in order."""
        rows = self._database.execute("SELECT path FROM deviating ORDER BY path")
        return (path for (path,) in rows)

    def of(self, path: bytes) -> list[Said]:
        """Give all that is said of a path."""
        rows = self._database.execute(
            "SELECT l.path, c.line, c.size, c.algorithm, c.digest, l.signer FROM claims c "
            "JOIN lists l ON l.number = c.list WHERE c.path = ? ORDER BY c.list, c.line",
            (path,),
        )
        return [Said(*row) for row in rows]

    def algorithms(self) -> list[str]:
        """Name the algorithms of all digests that are claimed."""
        rows = self._database.execute("SELECT algorithm FROM ranks ORDER BY rank")
        return [name for (name,) in rows]

    def expecting(self, digests: Mapping[str, bytes]) -> list[bytes]:
        """Give the paths of which a claimed digest is one of these."""
        self._database.execute("CREATE INDEX IF NOT EXISTS claim_digest ON claims (digest)")
        found: set[bytes] = set()
        for name, value in digests.items():
            rows = self._database.execute(
                "SELECT path FROM claims WHERE algorithm = ? AND digest = ?", (name, value)
            )
            found.update(path for (path,) in rows)
        return sorted(found)

    def expecting_name(self, name: bytes) -> list[bytes]:
        """Give the paths that are claimed and end in a file name."""
        self._database.create_function("base", 1, posixpath.basename, deterministic=True)
        rows = self._database.execute(
            "SELECT DISTINCT path FROM claims WHERE base(path) = ? ORDER BY path", (name,)
        )
        return [path for (path,) in rows]

    def missing_of_size(self, size: int) -> list[bytes]:
        """Give paths of which lists state this size and no digest, and that are not there."""
        rows = self._database.execute(
            "SELECT c.path FROM claims c WHERE c.size = ? AND NOT EXISTS "
            "(SELECT 1 FROM claims d WHERE d.path = c.path AND d.digest IS NOT NULL) "
            "AND NOT EXISTS (SELECT 1 FROM entries e WHERE e.path = c.path) "
            f"GROUP BY c.path ORDER BY c.path LIMIT {_FEW}",
            (size,),
        )
        return [path for (path,) in rows]

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
        comes first: of several that would do, one is told of.
        """
        (lists,) = self._database.execute(
            "SELECT count(*) FROM claims c WHERE c.path = ? AND NOT EXISTS ("
            "SELECT 1 FROM claims k LEFT JOIN entries e ON e.path = k.path "
            f"AND e.kind = {_FILE} WHERE c.kin <> x'' AND k.list = c.list AND k.kin = c.kin "
            "AND (k.path < c.path OR e.path IS NOT NULL))",
            (path,),
        ).fetchone()
        return bool(lists)

    def extras(self) -> Iterator[tuple[bytes, int]]:
        """Give each file that no list names and that does not speak for itself, with its size."""
        rows = self._database.execute(
            f"SELECT path, size FROM entries e WHERE kind = {_FILE} "
            "AND NOT EXISTS (SELECT 1 FROM claims c WHERE c.path = e.path) "
            "AND NOT EXISTS (SELECT 1 FROM set_aside s WHERE s.path = e.path) ORDER BY path"
        )
        return iter(rows)

    # Who vouches for what.

    def trust(self, signed: Mapping[bytes, str]) -> None:
        """Note who signed which files, then which lists are vouched for by lists that are.

        A list that came with the files vouches for nothing by itself: whoever altered both is not
        seen. A weak digest hands no trust on.
        """
        self._database.executemany("INSERT INTO signed VALUES (?, ?)", signed.items())
        self._database.execute("DELETE FROM signed WHERE path IN (SELECT path FROM deviating)")
        self._database.execute(
            "UPDATE lists SET signer = (SELECT signer FROM signed s WHERE s.path = lists.path) "
            "WHERE within AND signer IS NULL"
        )
        while self._hand_trust_on():
            pass

    def _hand_trust_on(self) -> int:
        rows = self._database.execute(
            "SELECT l.number, t.signer FROM lists l JOIN claims c ON c.path = l.path "
            "JOIN lists t ON t.number = c.list JOIN ranks r ON r.algorithm = c.algorithm "
            "JOIN facts f ON f.path = c.path AND f.algorithm = c.algorithm "
            "WHERE l.signer IS NULL AND l.within AND t.signer IS NOT NULL AND NOT r.weak "
            "AND f.value = c.digest AND l.path NOT IN (SELECT path FROM deviating)"
        ).fetchall()
        self._database.executemany(
            "UPDATE lists SET signer = ?2 WHERE number = ?1 AND signer IS NULL", rows
        )
        return len(rows)

    def vouch_for(self, number: int, signer: str) -> None:
        """Note that a list came by a way that the files did not."""
        self._database.execute("UPDATE lists SET signer = ? WHERE number = ?", (signer, number))

    def weigh(self) -> None:
        """Note for each file whose claims hold the weakest and strongest digest, and who signed."""
        self._database.execute(
            "CREATE TABLE vouched AS SELECT c.path AS path, min(r.rank) AS weakest, "
            "max(r.rank) AS strongest, max(CASE WHEN r.weak THEN NULL ELSE l.signer END) AS signer "
            "FROM claims c JOIN facts f ON f.path = c.path AND f.algorithm = c.algorithm "
            "JOIN ranks r ON r.algorithm = c.algorithm JOIN lists l ON l.number = c.list "
            "WHERE f.value = c.digest AND c.path NOT IN (SELECT path FROM deviating) "
            "GROUP BY c.path"
        )
        self._database.execute("CREATE UNIQUE INDEX vouch ON vouched (path)")

    def vouched(self) -> dict[str, int]:
        """Count the files that digests vouch for, by the weakest that does."""
        rows = self._database.execute(
            "SELECT weakest, count(*) FROM vouched GROUP BY weakest ORDER BY weakest DESC"
        )
        return {name_at(place): count for place, count in rows}

    def weakly_vouched(self) -> Iterator[tuple[bytes, str]]:
        """Give each file that a weak digest alone vouches for, with the strongest it has."""
        rows = self._database.execute(
            "SELECT v.path, r.algorithm FROM vouched v JOIN ranks r ON r.rank = v.strongest "
            "WHERE r.weak AND NOT EXISTS (SELECT 1 FROM signed s WHERE s.path = v.path) "
            "ORDER BY v.path"
        )
        return iter(rows)

    def marks(self) -> dict[str, int]:
        """Count the files that are authenticated, consistent with a list alone, and neither."""
        files, authenticated, consistent = self._database.execute(
            f"SELECT count(*), count({_SIGNER}), count(v.path) {_MARKED}"
        ).fetchone()
        both = self._database.execute(
            f"SELECT count(*) {_MARKED} AND v.path IS NOT NULL AND {_SIGNER} IS NOT NULL"
        ).fetchone()[0]
        consistent -= both
        return {
            "authenticated": authenticated,
            "self-consistent only": consistent,
            "unknown": files - authenticated - consistent,
        }

    def marked(self) -> Iterator[Marked]:
        """Give each file with its mark, by path."""
        rows = self._database.execute(
            f"SELECT e.path, e.size, {_SIGNER}, v.weakest, v.strongest {_MARKED} ORDER BY e.path"
        )
        for path, size, signer, weakest, strongest in rows:
            mark = "unknown" if weakest is None else "self-consistent only"
            yield Marked(
                path,
                size,
                "authenticated" if signer is not None else mark,
                signer,
                None if weakest is None else name_at(weakest),
                None if strongest is None else name_at(strongest),
            )

    # Files that no digest vouches for.

    def leave(self, fact: str) -> tuple[int, int]:
        """Set apart the files that nothing has judged; count those of which a fact is not known."""
        self._database.execute(
            "CREATE TABLE rest AS SELECT e.*, f.value AS fact FROM entries e "
            "LEFT JOIN facts f ON f.path = e.path AND f.algorithm = ? "
            f"WHERE e.kind = {_FILE} "
            "AND NOT EXISTS (SELECT 1 FROM vouched v WHERE v.path = e.path) "
            "AND NOT EXISTS (SELECT 1 FROM judged j WHERE j.path = e.path) ORDER BY e.path",
            (fact,),
        )
        row = self._database.execute(
            "SELECT count(*), coalesce(sum(size), 0) FROM rest WHERE fact IS NULL"
        ).fetchone()
        return row[0], row[1]

    def rest(self) -> Iterator[Entry]:
        """Give the files that `leave` counted."""
        rows = self._database.execute(
            "SELECT path, kind, size, mtime, ctime, inode, device FROM rest WHERE fact IS NULL"
        )
        return (Entry(path, Kind(kind), *others) for path, kind, *others in rows)

    def facts_known(self) -> Iterator[tuple[bytes, bytes]]:
        """Give path and fact of those of which it was known."""
        query = "SELECT path, fact FROM rest WHERE fact IS NOT NULL AND fact <> x''"
        return iter(self._database.execute(query))


_SIGNER = "coalesce((SELECT s.signer FROM signed s WHERE s.path = e.path), v.signer)"
_MARKED = f"FROM entries e LEFT JOIN vouched v ON v.path = e.path WHERE e.kind = {_FILE} "
