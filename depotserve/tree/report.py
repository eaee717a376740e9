"""What one look over a tree came to."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import attrs

from depotserve.tree.finding import Kind
from depotserve.tree.unfinished import final_path

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from depotserve.tree.acceptance import Rule
    from depotserve.tree.authenticity.signatures import Checked
    from depotserve.tree.claims import Claims
    from depotserve.tree.findings import Findings
    from depotserve.tree.inventory import Inventory

__all__ = ["Report", "ToDo"]

# What is mended by fetching the file again.
_FETCH = frozenset(
    (Kind.MISSING, Kind.SIZE, Kind.DIGEST, Kind.EMPTY, Kind.UNFINISHED, Kind.CUT_SHORT)
)


class ToDo(NamedTuple):
    """A file to be fetched again, where it belongs, and how it is known."""

    path: bytes
    kind: Kind
    size: int | None
    digest: str  # "sha256:HEX", the strongest that a list states; "" where none does


@attrs.frozen(kw_only=True)
class Report:
    """All that was found, as long as the check's context lasts. See `Findings` and `Claims`."""

    root: Path
    inventory: Inventory
    claims: Claims
    findings: Findings
    signatures: tuple[Checked, ...]
    rules: tuple[tuple[Rule, int], ...]  # with how many findings each accepted
    unchecked: tuple[str, ...]  # what was not looked at, in words
    forgotten: tuple[str, ...] = ()  # places of whose files nothing is remembered
    wants_proof: bool = False  # whether keys were pinned or digests typed in

    @property
    def vouches(self) -> bool:
        """Tell whether anything vouches for any file."""
        return self._proven + self.claims.marks.counts()["self-consistent only"] > 0

    @property
    def faults(self) -> int:
        """Count the faults that no rule accepts."""
        counts = self.findings.counts()
        return sum(all_ - accepted for kind, (all_, accepted) in counts.items() if kind.is_fault)

    @property
    def status(self) -> int:
        """Give 0 if the tree is vouched for, as it was wished, and without fault, else 1."""
        return int(self.faults > 0 or not self.vouches or self.lacks_proof)

    @property
    def lacks_proof(self) -> bool:
        """Tell whether keys or digests were given, and not one file is authenticated by them."""
        return self.wants_proof and not self._proven

    @property
    def _proven(self) -> int:
        """Count the authenticated files, without the lists that speak of others.

        A list that states no digest, or weak ones, proves nothing but itself.
        """
        return self.claims.marks.counts()["authenticated"] - self.claims.lists.count_signed()

    def to_do(self) -> Iterator[ToDo]:
        """Give what is to be fetched again, worst first."""
        seen: set[bytes] = set()
        for (kind, path, *_), rule in self.findings.in_order(_FETCH):
            wanted = final_path(path) if kind is Kind.UNFINISHED else path
            if rule is not None or wanted in seen:
                continue
            seen.add(wanted)
            size, digest = self.claims.wish_for(wanted)
            yield ToDo(wanted, kind, size, digest)
