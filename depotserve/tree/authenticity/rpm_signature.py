"""The signatures within an rpm package, checked by gpgv over the very bytes that they cover."""

from __future__ import annotations

import hashlib
from typing import TYPE_CHECKING, BinaryIO

import attrs

from depotserve.tree.authenticity.armour import BrokenError
from depotserve.tree.authenticity.openpgp import signatures_in
from depotserve.tree.authenticity.rpm_package import Package, read_package
from depotserve.tree.authenticity.verdict import State, Verdict, together

if TYPE_CHECKING:
    from collections.abc import Iterator

    from depotserve.tree.authenticity.openpgp import OpenPgp
    from depotserve.tree.authenticity.packets import Packet

__all__ = ["check_package", "is_signed"]

_PIECE = 256 * 1024


def is_signed(stream: BinaryIO) -> bool:
    """Tell whether a package carries a signature; one that cannot be read carries none."""
    try:
        package = read_package(stream)
    except BrokenError:
        return False
    return bool(package.of_header or package.of_all)


def check_package(stream: BinaryIO, openpgp: OpenPgp) -> Verdict | None:
    """Check a package; None if it carries no signature. Reads it once, to its end.

    A signature of the header is enough where the header holds a strong digest of the payload,
    which is checked too; else one over header and payload is needed. Raises what `openpgp.check`
    raises, and OSError of reading.
    """
    try:
        package = read_package(stream)
        of_header = [one for part in package.of_header for one in signatures_in(part)]
        of_all = [one for part in package.of_all for one in signatures_in(part)]
    except BrokenError as error:
        return Verdict(State.UNREADABLE, detail=str(error))
    if not of_header and not of_all:
        return None
    return _check(_Reading(package, stream), openpgp, of_header, of_all)


def _check(
    reading: _Reading, openpgp: OpenPgp, of_header: list[Packet], of_all: list[Packet]
) -> Verdict:
    pieces = iter(reading)
    verdicts = [openpgp.check(of_all, pieces)] if of_all else []
    covers_all = any(one.state is State.GOOD for one in verdicts)
    if of_header:
        verdicts.append(openpgp.check(of_header, [reading.package.header]))
    found = together(verdicts)
    if found.vendor is None:
        return attrs.evolve(found, sha256=None)
    for _ in pieces:  # whatever no signature was asked about
        pass
    if found.state is State.GOOD and not covers_all:
        found = reading.by_its_header(found)
    return attrs.evolve(found, sha256=reading.whole.digest())


class _Reading:
    """A package on its way through: header and payload are yielded, all of it is hashed."""

    def __init__(self, package: Package, stream: BinaryIO) -> None:
        self.package, self._stream = package, stream
        self.whole = hashlib.sha256(package.before)
        self._payload = package.payload[0].new() if package.payload else hashlib.sha256()

    def __iter__(self) -> Iterator[bytes]:
        self.whole.update(self.package.header)
        yield self.package.header
        while piece := self._stream.read(_PIECE):
            self.whole.update(piece)
            self._payload.update(piece)
            yield piece

    def by_its_header(self, found: Verdict) -> Verdict:
        """Judge a package of which the header alone is signed, after all of it was read."""
        if self.package.payload is None or self.package.payload[0].weak:
            detail = "its header alone is signed, and that holds no strong digest of the rest"
            return attrs.evolve(found, state=State.WEAK, detail=detail)
        if self._payload.digest() != self.package.payload[1]:
            detail = "the payload differs from the digest in its signed header"
            return attrs.evolve(found, state=State.BAD, detail=detail)
        return found
