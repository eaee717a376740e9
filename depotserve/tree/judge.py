"""What is wrong with one file, by all that lists say of it: a function from values to values."""

from __future__ import annotations

import hashlib
from typing import TYPE_CHECKING

from depotserve.tree.digests import named
from depotserve.tree.entry import shown
from depotserve.tree.finding import Finding, Kind

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from depotserve.tree.claims import Said

__all__ = ["judge", "source_of"]


def judge(
    path: bytes, size: int, digests: Mapping[str, bytes], said: Sequence[Said]
) -> Iterator[Finding]:
    """Give the faults of a file that is there, the one that explains the others in their place.

    `digests` are the file's own, as far as they are known; `said` is all that lists say of it. A
    size that differs says enough: such a file's digests differ too.
    """
    yield from _conflicts(path, said)
    wrong_size = _size(path, size, said)
    if wrong_size is not None:
        yield wrong_size
    elif not (wrong := _empty(path, size, said)):
        yield from _digests(path, digests, said)
    else:
        yield wrong


def source_of(one: Said) -> str:
    """Name the list and line that said something, for a person."""
    return f"{shown(one.source)}:{one.line}" if one.line else shown(one.source)


def _conflicts(path: bytes, said: Sequence[Said]) -> Iterator[Finding]:
    """Find claims that cannot hold together, whatever the file is."""
    first: dict[str | None, Said] = {}
    for one in said:
        if one.algorithm is None:
            continue
        before = first.setdefault(one.algorithm, one)
        if before.digest != one.digest:
            where = f"{source_of(before)} and {source_of(one)}"
            yield Finding(Kind.CONFLICT, path, f"{one.algorithm} by {where}")
            return


def _size(path: bytes, size: int, said: Sequence[Said]) -> Finding | None:
    for one in said:
        if one.size is not None and one.size != size:
            detail = f"{size} bytes, {one.size} by {source_of(one)}"
            return Finding(Kind.SIZE if size else Kind.EMPTY, path, detail)
    return None


def _empty(path: bytes, size: int, said: Sequence[Said]) -> Finding | None:
    """Tell an empty file whose digest is not that of nothing: that says more than a digest."""
    if size:
        return None
    for one in said:
        if one.digest is not None and one.digest != _of_nothing(one.algorithm):
            return Finding(Kind.EMPTY, path, f"not by {source_of(one)}")
    return None


def _of_nothing(name: str | None) -> bytes:
    algorithm = named(name or "")
    return algorithm.new().digest() if algorithm else hashlib.sha256().digest()


def _digests(path: bytes, digests: Mapping[str, bytes], said: Sequence[Said]) -> Iterator[Finding]:
    """Find an algorithm by which no claim holds, or one that fails and that somebody vouches for.

    Of others that contradict each other, one that holds is enough here: that they do is a finding
    of its own.
    """
    for name in dict.fromkeys(one.algorithm for one in said if one.algorithm):
        known = digests.get(name)
        wrong = [one for one in said if one.algorithm == name and known not in (None, one.digest)]
        vouched = [one for one in wrong if one.signer is not None]
        if vouched:
            source, signer = source_of(vouched[0]), vouched[0].signer
            by = source if source == signer else f"{source}, which {signer} vouches for"
            yield Finding(Kind.DIGEST, path, f"{name} by {by}")
            return
        if wrong and len(wrong) == sum(one.algorithm == name for one in said):
            yield Finding(Kind.DIGEST, path, f"{name} by {source_of(wrong[0])}")
            return
