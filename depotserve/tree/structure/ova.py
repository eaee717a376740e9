"""Check a virtual appliance in one file: a tar whose manifest has the digests of its members.

DSP0243 (Open Virtualization Format), sections "OVF package" and "Distribution as a single file".
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, BinaryIO, NamedTuple

from depotserve.tree import digests
from depotserve.tree.structure.outcome import BrokenError, UnwalkedError, printable
from depotserve.tree.structure.reading import Forward, pieces, read_at
from depotserve.tree.structure.tar import walk_tar_file

if TYPE_CHECKING:
    from depotserve.tree.structure.tar import Member

__all__ = ["walk_tar_or_ova"]

_MOST_MEMBERS = 1000  # an appliance is a descriptor, a manifest, a certificate and some disks
_LARGEST_MANIFEST = 1024 * 1024
_LINE = re.compile(rb"([A-Za-z0-9-]{1,20}) *\(([^()\r\n]{1,1000})\) *= *([0-9A-Fa-f]{1,200})")
_LONGEST_NAME = 99  # bytes in a header; longer ones stand elsewhere and are not remembered


class _Members:
    """Remembers members, bounded, if the first is an appliance's descriptor."""

    def __init__(self) -> None:
        self.found: dict[bytes, Member] = {}
        self.is_appliance: bool | None = None

    def visit(self, member: Member) -> None:
        name = member.name[2:] if member.name.startswith(b"./") else member.name
        if self.is_appliance is None:
            self.is_appliance = name.lower().endswith(b".ovf")
        if self.is_appliance and len(self.found) < _MOST_MEMBERS:
            self.found[name] = member

    def manifest(self) -> Member | None:
        manifests = (self.found[name] for name in self.found if name.lower().endswith(b".mf"))
        return next(manifests, None)


class _Stated(NamedTuple):
    """What a line of the manifest says."""

    name: bytes
    algorithm: digests.Algorithm
    value: bytes


def walk_tar_or_ova(stream: BinaryIO, size: int) -> str:
    """Walk an archive to its end, check an appliance's members by its manifest; give the kind.

    Raises BrokenError, UnwalkedError, and OSError of reading.
    """
    members = _Members()
    stream.seek(0)
    walk_tar_file(Forward(stream, size), members.visit)
    manifest = members.manifest()
    if manifest:
        _check(stream, manifest, members.found)
    return "ova" if members.is_appliance else "tar"


def _check(stream: BinaryIO, manifest: Member, members: dict[bytes, Member]) -> None:
    whole = len(members) < _MOST_MEMBERS and manifest.size <= _LARGEST_MANIFEST
    length = min(manifest.size, _LARGEST_MANIFEST)
    content = read_at(stream, manifest.offset, length, "its manifest")
    for line in filter(None, map(bytes.strip, content.splitlines() if whole else ())):
        stated = _parse(line)
        whole &= stated is not None and _is_held(stream, stated, members)
    if not whole:
        raise UnwalkedError("its manifest could not be checked in full")


def _parse(line: bytes) -> _Stated | None:
    found = _LINE.fullmatch(line)
    algorithm = digests.named(found[1].decode("ascii")) if found else None
    value = digests.parse_hex(found[3], algorithm) if found and algorithm else None
    return _Stated(found[2], algorithm, value) if found and algorithm and value else None


def _is_held(stream: BinaryIO, stated: _Stated, members: dict[bytes, Member]) -> bool:
    """Check a member by its line; False if it cannot be found for the length of its name."""
    name = stated.name
    if name not in members:
        if len(name) > _LONGEST_NAME:
            return False
        raise BrokenError(f"its manifest names {printable(name)}, which it does not hold")
    if _digest(stream, members[name], stated.algorithm) != stated.value:
        raise BrokenError(f"{printable(name)} in it is not what its manifest says")
    return True


def _digest(stream: BinaryIO, member: Member, algorithm: digests.Algorithm) -> bytes:
    stream.seek(member.offset)
    running = algorithm.new()
    for piece in pieces(stream, member.size, printable(member.name)):
        running.update(piece)
    digest: bytes = running.digest()
    return digest
