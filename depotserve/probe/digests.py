"""Digests of what comes, and what vouches for them: Repr-Digest and checksum lists."""

from __future__ import annotations

import base64
import binascii
import hashlib
import re
import zlib
from typing import TYPE_CHECKING
from urllib.parse import unquote

import attrs

if TYPE_CHECKING:
    from collections.abc import Iterable

__all__ = ["Digests", "Hasher", "decoded", "list_names", "listed_digest", "parse_repr_digest"]

_SIZES = {64: "sha-256", 128: "sha-512"}  # hex digits -> algorithm (RFC 9530 §5)
# A dictionary member whose value is bytes (RFC 8941 §3.2, §3.3.5).
_MEMBER = re.compile(r"(?:^|,)[ \t]*([a-z*][a-z0-9_.*-]*)=:([A-Za-z0-9+/=]*):")
_GNU = re.compile(rb"\\?([0-9A-Fa-f]{64}|[0-9A-Fa-f]{128})(?: [ *](.+))?")
_BSD = re.compile(rb"SHA(?:256|512|2-256|2-512) \((.+)\) = ([0-9A-Fa-f]{64,128})")
_LIST = re.compile(r"(?i)(.*[-_.])?(sha-?(256|512)(sums?)?|checksums?)(\.txt)?")
_SUFFIX = re.compile(r"(?i)[-_.](sha-?(256|512)(sums?)?|checksums?)(\.txt)?")
_GUESSES = ("SHA256SUMS", "sha256sum.txt")
_MOST_DECODED = 1 << 30  # bytes; a coded answer can grow a thousandfold


@attrs.frozen
class Digests:
    """Lower-case hex digits by algorithm: of the bytes on the wire, and of the file itself.

    They differ only where a content coding was undone (RFC 9530 §3, appendix A).
    """

    wire: dict[str, str]
    file: dict[str, str] | None  # None: the coding is not known here
    size: int  # of the file itself, bytes


class Hasher:
    """Takes a body piece by piece."""

    def __init__(self, coding: str) -> None:
        """Take the Content-Encoding, empty for none."""
        self._wire = _Sums()
        self._file = _Sums() if coding in _WINDOWS else None
        self._decode = zlib.decompressobj(_WINDOWS[coding]) if coding in _WINDOWS else None
        self._plain = not coding

    def take(self, piece: bytes) -> None:
        """Take what comes next."""
        self._wire.take(piece)
        if self._file is None or self._decode is None:
            return
        try:
            while piece and self._file.size < _MOST_DECODED:
                self._file.take(self._decode.decompress(piece, 1 << 20))
                piece = self._decode.unconsumed_tail
        except zlib.error:
            self._file = None

    def digests(self) -> Digests:
        """Give the digests of all that was taken."""
        file = self._wire if self._plain else self._file
        return Digests(self._wire.hex(), file.hex() if file else None, file.size if file else 0)


_WINDOWS = {"gzip": 31, "x-gzip": 31, "deflate": 15}  # zlib's wbits (RFC 9110 §8.4.1)


class _Sums:
    def __init__(self) -> None:
        self._sums = {"sha-256": hashlib.sha256(), "sha-512": hashlib.sha512()}
        self.size = 0

    def take(self, piece: bytes) -> None:
        self.size += len(piece)
        for one in self._sums.values():
            one.update(piece)

    def hex(self) -> dict[str, str]:
        return {name: one.hexdigest() for name, one in self._sums.items()}


def decoded(body: bytes, coding: str, most: int) -> bytes:
    """Undo a content coding that is known here, up to `most` bytes; else give it as it is."""
    if coding not in _WINDOWS:
        return body
    try:
        return zlib.decompressobj(_WINDOWS[coding]).decompress(body, most)
    except zlib.error:
        return body


def parse_repr_digest(value: str | None) -> dict[str, str]:
    """Give the digests of a Repr-Digest field by algorithm, those that are known (RFC 9530 §3)."""
    found = {}
    for name, text in _MEMBER.findall(value or ""):
        try:
            digest = base64.b64decode(text, validate=True).hex()
        except (binascii.Error, ValueError):
            continue
        if _SIZES.get(len(digest)) == name:
            found[name] = digest
    return found


def list_names(file: str, listed: Iterable[str] | None) -> list[str]:
    """Give names of checksum lists that may stand beside a file.

    `listed` are the folder's names; None where they are not known.
    """
    own = f"{file}.sha256"
    if listed is None:
        return [*_GUESSES, own]
    names = [name for name in listed if _LIST.fullmatch(name) and name != file]
    return sorted(names, key=lambda name: not name.startswith(file))


def listed_digest(text: bytes, file: str, *, of: str) -> tuple[str, str] | None:
    """Give algorithm and digest that the checksum list `of` has for a file; None for none.

    GNU and BSD lines are read; a lone digest counts in a list that is named for the file.
    """
    own = of.startswith(file) and _SUFFIX.fullmatch(of[len(file) :])
    for line in text.splitlines():
        digest, name = _entry(line.strip())
        if digest and (name == file or (own and name is None)):
            return _SIZES[len(digest)], digest
    return None


def _entry(line: bytes) -> tuple[str, str | None]:
    bsd = _BSD.fullmatch(line)
    gnu = None if bsd else _GNU.fullmatch(line)
    digest, name = (bsd[2], bsd[1]) if bsd else (gnu[1], gnu[2]) if gnu else (b"", None)
    if len(digest) not in _SIZES:
        return "", None
    return digest.decode("ascii").lower(), None if name is None else _plain_name(name)


def _plain_name(name: bytes) -> str:
    return unquote(name.decode("utf-8", "surrogateescape").removeprefix("./"))
