"""Who vouches for which file: what is authenticated, what is consistent with a list alone."""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING, NamedTuple

from depotserve.tree.chunk import Vouched
from depotserve.tree.database import define
from depotserve.tree.digests import is_weak, name_at, rank
from depotserve.tree.held import split

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from depotserve.tree.chunk import Beside
    from depotserve.tree.chunks import Chunks
    from depotserve.tree.comparison import Comparison
    from depotserve.tree.held import Held
    from depotserve.tree.inventory import Inventory
    from depotserve.tree.lists import Lists

__all__ = ["Marked", "Marks"]

_SCHEMA = "CREATE TABLE weak (path BLOB, algorithm TEXT);"


class Marked(NamedTuple):
    """What can be said of a file's origin, and by what."""

    path: bytes
    size: int
    mark: str  # "authenticated", "self-consistent only", "unknown"
    signer: str | None
    weakest: str | None  # of the digests that vouch for it
    strongest: str | None


class Marks:
    """The marks of all files, by claims that were compared: `trust`, then `weigh`."""

    def __init__(
        self, inventory: Inventory, chunks: Chunks, lists: Lists, comparison: Comparison
    ) -> None:
        self._inventory, self._database = inventory, inventory.database
        define(self._database, _SCHEMA)
        self._chunks, self._lists, self._comparison = chunks, lists, comparison
        self.signers: dict[int, str] = {}  # of lists
        self._signed: dict[bytes, str] = {}
        self._vouched: Counter[int] = Counter()  # by the weakest's rank
        self._authenticated = self._consistent = 0

    def trust(self, signed: Mapping[bytes, str]) -> None:
        """Note who signed which files, then which lists are vouched for by lists that are.

        A list that came with the files vouches for nothing by itself: whoever altered both is not
        seen. A weak digest hands no trust on, and nobody vouches for a file that deviates.
        """
        self._signed = {
            path: who for path, who in signed.items() if not self._comparison.deviates(path)
        }
        lists = self._lists.all()
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
        self.signers = signers
        self._lists.sign(signers)

    def _vouched_by(self, number: int, paths: Mapping[bytes, object]) -> Iterator[bytes]:
        """Give those of some paths of which a list's digests hold that are not weak."""
        for _, folder, claims in self._chunks.of_list(number):
            prefix = folder + b"/" if folder else b""
            for name, _, _, algorithm, digest, _, _ in claims:
                path = prefix + name
                if path not in paths or algorithm is None or is_weak(algorithm):
                    continue
                known = self._inventory.facts(path).get(algorithm)
                if digest == known and not self._comparison.deviates(path):
                    yield path

    def weigh(self) -> None:
        """Count the files whose claims hold, by the weakest digest, and those that are signed."""
        self._comparison.take_out(split(path)[0] for path in self._signed)
        for number, algorithm, files in self._comparison.plain():
            place = rank(algorithm)
            self._count(Vouched(place, place, self.signers.get(number)), files)
        signed_alone = set(self._signed)
        for beside in self._comparison.besides():
            signed_alone.difference_update(self._weigh(beside))
        self._authenticated += sum(map(self._inventory.is_file, signed_alone))

    def _weigh(self, beside: Beside) -> list[bytes]:
        """Count the files of a folder that digests vouch for, and give their paths."""
        vouched, prefix = beside.vouched(self.signers), beside.held.prefix
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
        return held is not None and name in self._chunks.beside(held).vouched(self.signers)

    def weakly_vouched(self) -> Iterator[tuple[bytes, str]]:
        """Give each file that a weak digest alone vouches for, with the strongest it has."""
        return iter(self._database.execute("SELECT path, algorithm FROM weak"))

    def counts(self) -> dict[str, int]:
        """Count the files that are authenticated, consistent with a list alone, and neither."""
        files, _ = self._inventory.count()
        return {
            "authenticated": self._authenticated,
            "self-consistent only": self._consistent,
            "unknown": files - self._authenticated - self._consistent,
        }

    def all(self) -> Iterator[Marked]:
        """Give each file with its mark, by path."""
        return self._inventory.by_path(self._marked)

    def _marked(self, held: Held) -> Iterator[tuple[bytes, Marked]]:
        vouched = self._chunks.beside(held).vouched(self.signers)
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
