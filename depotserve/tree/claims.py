"""What lists say of files, beside what is there: in the same database as the inventory.

A row holds what one list says of the files of one folder: see `chunk`.
"""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING, Callable, NamedTuple

from depotserve.tree.chunk import Row
from depotserve.tree.chunks import Chunks
from depotserve.tree.comparison import Comparison
from depotserve.tree.digests import rank
from depotserve.tree.inventory import ALWAYS
from depotserve.tree.lists import Lists, Measured
from depotserve.tree.marks import Marks
from depotserve.tree.walk import entry_of_row

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping

    from depotserve.tree.entry import Entry
    from depotserve.tree.held import Held
    from depotserve.tree.inventory import Inventory

__all__ = ["Claims", "Misfit", "Row", "Said"]

_FEW = 10  # candidates that a person can still choose from


class Said(NamedTuple):
    """What one line of a list says of a file."""

    source: bytes  # the list's path
    line: int
    size: int | None
    algorithm: str | None
    digest: bytes | None
    signer: str | None = None  # who vouches for the list


class Misfit(NamedTuple):
    """Digests of a kind that a guessed list states, and of which not one is that of its file."""

    number: int
    path: bytes
    algorithm: str
    digests: int


class Claims:
    """Every list's claims. Paths are relative to the root, resolved."""

    def __init__(self, inventory: Inventory) -> None:
        self._inventory, self._database = inventory, inventory.database
        self._chunks = Chunks(inventory)
        self.lists = Lists(inventory)
        self.comparison = Comparison(inventory, self._chunks)
        self.marks = Marks(inventory, self._chunks, self.lists, self.comparison)
        self._aside: set[bytes] = set()
        self._sources: dict[int, bytes] | None = None  # paths of lists, once they are all in

    # Lists, one after the other.

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

    def follow(self, behind: Callable[[bytes], bytes | None]) -> None:
        """Let what is said of a path that is no file count for the file that `behind` gives."""
        self._chunks.follow(behind)

    def misfits(self, least: int) -> list[Misfit]:
        """Find the guessed lists of which no digest of a kind holds, of at least so many."""
        found = []
        for one in self.lists.all():
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

    def of(self, path: bytes) -> list[Said]:
        """Give all that is said of a path."""
        if self._sources is None:
            self._sources = {one.number: one.path for one in self.lists.all()}
        return [
            Said(self._sources[number], *claim[1:5], self.marks.signers.get(number))
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
        return (
            other > path or self._inventory.is_file(other)
            for other in self._chunks.kin(number, kin)
        )

    def extras(self) -> Iterator[tuple[bytes, int]]:
        """Give each file that no list names and that does not speak for itself, with its size."""
        for beside in self.comparison.besides():
            held, named = beside.held, beside.names()
            for name in held.files():
                if name not in named and held.prefix + name not in self._aside:
                    yield held.prefix + name, held.states[name][1]

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
        for beside in self.comparison.besides():
            held, vouched = beside.held, beside.vouched(self.marks.signers)
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
