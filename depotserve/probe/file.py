"""The check that fetches one file, and the one of its digest."""

from __future__ import annotations

import time
from typing import TYPE_CHECKING
from urllib.parse import quote, unquote

import attrs

from depotserve.probe.digests import Hasher, list_names, listed_digest, parse_repr_digest
from depotserve.probe.finding import Finding, Trouble, Where, fault, passed, shown, unknown
from depotserve.probe.listings import Entry, choose
from depotserve.probe.message import coding_of
from depotserve.probe.visit import Fetched

if TYPE_CHECKING:
    from collections.abc import Iterator

    from depotserve.probe.exchange import Answer
    from depotserve.probe.message import Head
    from depotserve.probe.visit import Visit

__all__ = ["digest", "file"]

_KEPT = 1 << 17  # bytes of the file's beginning, with which ranges are compared
_LARGEST = 1 << 32  # bytes that are read at most, however fast the network is
_MOST_LISTS = 4
_LIST_BYTES = 4 << 20
_WANTED = {"Want-Repr-Digest": "sha-256=10, sha-512=9"}  # RFC 9530 §4


class _Taken:
    """A file as it comes: its digests and its beginning."""

    def __init__(self, seconds: float) -> None:
        self._end = time.monotonic() + seconds
        self._hasher: Hasher | None = None
        self._size = 0
        self.begin = bytearray()

    def take(self, head: Head, piece: bytes) -> bool:
        """Take a piece; tell whether there is time and room for more."""
        if head.status != 200:
            return len(piece) < _KEPT and time.monotonic() < self._end
        self._hasher = self._hasher or Hasher(coding_of(head))
        self._hasher.take(piece)
        self._size += len(piece)
        self.begin += piece[: _KEPT - len(self.begin)]
        return time.monotonic() < self._end and self._size < _LARGEST

    def fetched(self, target: str, answer: Answer) -> Fetched:
        """Give the whole."""
        coding = coding_of(answer.head)
        digests = (self._hasher or Hasher(coding)).digests()
        return Fetched(target, attrs.evolve(answer, body=bytes(self.begin)), digests, coding)


def file(visit: Visit) -> Finding:
    """Fetch a file, as far as it comes within the time, and keep what tells it."""
    finding = unknown("no file was found to ask for; --file names one", stops=True)
    for entry in _chosen(visit):
        finding = _fetch(visit, entry)
        if visit.file is None or visit.file.answer.size:
            break  # an empty file shows little
    return finding


def _chosen(visit: Visit) -> list[Entry]:
    if visit.wish.file is not None:
        return [Entry(visit.wish.address.join(visit.wish.file), None)]
    return choose(visit.listed[1]) if visit.listed else []


def _fetch(visit: Visit, entry: Entry) -> Finding:
    taken = _Taken(visit.wish.limits.file)
    seconds = visit.wish.limits.file + 1.0
    target, got = visit.ask(entry.target, fields=_WANTED, take=taken.take, seconds=seconds)
    if got.status != 200:
        visit.file = None
        return _no_file(target, got)
    visit.file = taken.fetched(target, got)
    return _sized(visit.file, entry.size)


def _sized(found: Fetched, listed: int | None) -> Finding:
    """Compare with the listing's size; of a coded answer only the digest can tell."""
    got, target = found.answer, shown(found.target)
    if found.coding:
        how = f"coded as {shown(found.coding)} though asked not to be, so its size says nothing"
        return passed(f"{target}: {got.size} bytes, {how}")
    if not got.is_whole:
        length = got.head.get("content-length") or "an unknown number of"
        return passed(f"{target}: the first {got.size} of {length} bytes came in time")
    if listed in {None, got.size}:
        return passed(f"{target}: {got.size} bytes")
    return fault(
        f"{target}: {got.size} bytes came, and the listing says {listed}",
        cause="the file is being changed, or a device on the way serves an old copy",
        advice="compare the file's size on the depot's disk",
        where=Where.DEPOT,
        stops=False,
    )


def _no_file(target: str, got: Answer) -> Finding:
    if got.status == 401:  # the base folder asked for none, so nobody has signed in
        return fault(
            f"{shown(target)} asks for a password (401), and the base folder does not",
            cause="the depot has other readers for this folder",
            advice="give the file by --file and a user by --user, to sign in for it",
            where=Where.CLIENT,
        )
    return fault(
        f"{got.status} for {shown(target)}",
        cause="the file is not there under this name, or not for this user",
        advice="check the path, upper and lower case, and who may read it",
        where=Where.DEPOT,
    )


def digest(visit: Visit) -> Finding:
    """Compare the file's digest with everything that vouches for it; all must agree."""
    found = visit.file
    if found is None or not found.answer.is_whole:
        return unknown("the file was not read to its end")
    agreed = []
    for source, expected, actual in _vouched(visit, found):
        if actual is None:
            return unknown(f"{source} has a digest of the file, whose coding is not known here")
        if expected != actual:
            return _differs(found, source, expected, actual)
        agreed.append(source)
    if agreed:
        return passed(f"as {' and '.join(agreed)} {'say' if len(agreed) > 1 else 'says'}")
    return unknown("nothing vouches for the file: no Repr-Digest, no checksum list beside it")


def _vouched(visit: Visit, found: Fetched) -> Iterator[tuple[str, str, str | None]]:
    """Give source, digest it has, digest that came (None: not known)."""
    if visit.wish.sha256 is not None:
        yield "--sha256", visit.wish.sha256, _of_file(found, "sha-256")
    for algorithm, expected in parse_repr_digest(found.get("repr-digest")).items():
        yield f"Repr-Digest ({algorithm})", expected, found.digests.wire[algorithm]
    listed = _listed(visit, found)
    if listed is not None:
        name, algorithm, expected = listed
        yield name, expected, _of_file(found, algorithm)


def _of_file(found: Fetched, algorithm: str) -> str | None:
    return found.digests.file[algorithm] if found.digests.file else None


def _listed(visit: Visit, found: Fetched) -> tuple[str, str, str] | None:
    """Look into checksum lists beside the file; give list, algorithm and digest."""
    folder, _, last = found.target.partition("?")[0].rpartition("/")
    name = unquote(last, errors="surrogateescape")
    names = [one.name for one in visit.listed[1]] if visit.listed else None
    for each in list_names(name, names)[:_MOST_LISTS]:
        quoted = quote(each.encode("utf-8", "surrogateescape"), safe="")
        try:
            target, got = visit.ask(f"{folder}/{quoted}", most=_LIST_BYTES + 1)
        except Trouble:
            if names is None:  # a guess, which need not be there
                continue
            raise
        if got.status == 200 and got.is_whole and got.size <= _LIST_BYTES:
            entry = listed_digest(got.body, name, of=each)
            if entry:
                return shown(target), *entry
    return None


def _differs(found: Fetched, source: str, expected: str, actual: str) -> Finding:
    return fault(
        f"wrong digest: {shown(found.target)} is {actual[:16]}\u2026,"
        f" {source} says {expected[:16]}\u2026",
        cause="the file is damaged, or is another version than the list is of",
        advice=f"compare the digest of {shown(found.target)} on the depot's own disk",
        where=Where.DEPOT,
        stops=False,
    )
