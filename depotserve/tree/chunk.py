"""What a list says of the files of one folder, and what that comes to beside what is there."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple, Optional

from depotserve.tree.digests import is_weak, rank

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from depotserve.tree.held import Held

__all__ = ["Beside", "Claim", "Row", "Sums", "Vouched", "summed_up"]

# A claim as it is kept, plain: name in its folder, line, size, algorithm, digest, kin
# (`Listed.group`), and 1 for the first claim of an entry, which may have several digests.
Claim = tuple[bytes, int, Optional[int], Optional[str], Optional[bytes], bytes, int]
Row = tuple[bytes, Claim]  # as it is entered: with the folder


class Sums(NamedTuple):
    """What some claims about files of one folder come to."""

    listed: int  # entries
    there: int  # of them, files that are there
    agreeing: int  # of them, with the size that the list states, if any
    unread: int  # claims whose digest is not known of the file
    plain: str | None  # the algorithm, where each names another file by its digest and all hold


class Vouched(NamedTuple):
    """What vouches for a file: ranks of the weakest and strongest digest, and who signed."""

    weakest: int
    strongest: int
    signer: str | None


def summed_up(held: Held, claims: Sequence[Claim]) -> Sums:
    """Sum up some claims about the files of a folder."""
    count = len(claims)
    algorithm = _plain(held, claims)
    if algorithm is not None:
        return Sums(count, count, count, 0, algorithm)
    there = [one for one in claims if held.is_file(one[0])]
    agreeing = [one for one in there if one[2] in (None, held.states[one[0]][1])]
    unread = sum(1 for one in there if one[3] and held.digest(one[0], one[3]) is None)
    return Sums(_heads(claims), _heads(there), _heads(agreeing), unread, None)


def _heads(claims: Sequence[Claim]) -> int:
    return sum(one[6] for one in claims)


def _plain(held: Held, claims: Sequence[Claim]) -> str | None:
    """Tell the algorithm if that is all there is to say; a weak one is never all."""
    algorithm = claims[0][3]
    known = held.facts.get(algorithm or "")
    if algorithm is None or known is None or is_weak(algorithm):
        return None
    for name, _, size, named, digest, kin, head in claims:
        if digest != known.get(name) or named != algorithm or kin or not head:
            return None
        if size is not None and size != held.states[name][1]:
            return None
    return algorithm if len({one[0] for one in claims}) == len(claims) else None


class Beside(NamedTuple):
    """A folder, and all claims about its files by the numbers of their lists."""

    held: Held
    said: list[tuple[int, list[Claim]]]

    def claims(self) -> Iterator[tuple[int, Claim]]:
        """Give each claim with its list's number."""
        return ((number, claim) for number, claims in self.said for claim in claims)

    def names(self) -> set[bytes]:
        """Give the names of which something is said."""
        return {claim[0] for _, claims in self.said for claim in claims}

    def absent(self) -> set[bytes]:
        """Give the names that are claimed and no file."""
        return {name for name in self.names() if not self.held.is_file(name)}

    def missing_of_size(self, size: int) -> set[bytes]:
        """Give the paths that are not there and of which this size is claimed, and no digest."""
        known = {claim[0] for _, claim in self.claims() if claim[4] is not None}
        stated = {claim[0] for _, claim in self.claims() if claim[2] == size}
        return {self.held.prefix + name for name in stated - known - self.held.states.keys()}

    def deviating(self) -> list[bytes]:
        """Give the paths of which a claim does not hold, in order."""
        return sorted(self.held.prefix + name for name in self._deviating())

    def _deviating(self) -> set[bytes]:
        held = self.held
        return {
            name
            for _, claims in self.said
            for name, _, size, algorithm, digest, _, _ in claims
            if not held.is_file(name)
            or (size is not None and size != held.states[name][1])
            or (digest is not None and digest != held.digest(name, algorithm))
        }

    def vouched(self, signers: Mapping[int, str]) -> dict[bytes, Vouched]:
        """Give what vouches for each file whose claims all hold, by its name."""
        found: dict[bytes, Vouched] = {}
        deviating = self._deviating()
        for number, claims in self.said:
            for name, _, _, algorithm, _, _, _ in claims:
                if algorithm is not None and name not in deviating:
                    place = rank(algorithm)
                    signer = None if is_weak(algorithm) else signers.get(number)
                    found[name] = _joined(found.get(name), Vouched(place, place, signer))
        return found


def _joined(one: Vouched | None, other: Vouched) -> Vouched:
    if one is None:
        return other
    signers = [signer for signer in (one.signer, other.signer) if signer is not None]
    return Vouched(
        min(one.weakest, other.weakest),
        max(one.strongest, other.strongest),
        max(signers, default=None),
    )
