"""Walk compressed files to their end, and the tar archive in one."""

from __future__ import annotations

from typing import TYPE_CHECKING, BinaryIO

from depotserve.tree import compression
from depotserve.tree.structure.outcome import BrokenError, UnwalkedError
from depotserve.tree.structure.reading import PIECE, Forward, most_unpacked
from depotserve.tree.structure.tar import BLOCK, is_tar, walk_tar

if TYPE_CHECKING:
    from depotserve.tree.structure.tar import Member

__all__ = ["walk_packed", "walk_packed_file"]


def walk_packed_file(stream: BinaryIO, size: int) -> str:
    """Unpack a compressed file to its end; give the compression's name.

    Zstandard's check of the content is optional in its format (RFC 8878 section 3.1.1.1.1.4): where
    it was left out, only what breaks the coding is found. Streams may follow each other, so a file
    that is cut exactly between two of them cannot be told from a whole one. Raises BrokenError,
    UnwalkedError, and OSError of reading.
    """
    stream.seek(0)
    name = compression.compression(stream.read(6))
    stream.seek(0)
    walk_packed(stream, most_unpacked(size))
    return name or "plain"


def walk_packed(stream: BinaryIO, most: int) -> None:
    """Unpack a stream from where it stands, if it is compressed, and walk the tar in it."""
    try:
        _walk_content(Forward(compression.opened(stream, most=most)))
    except compression.CutShortError as error:
        raise BrokenError(str(error)) from error
    except compression.DamagedError as error:
        raise BrokenError(f"it cannot be unpacked: {error}") from error
    except compression.TooLargeError as error:
        raise UnwalkedError(f"{error}: not walked to its end") from error


def _walk_content(content: Forward) -> None:
    first = content.peek(BLOCK)
    if is_tar(first):
        walk_tar(content, _pass)
    while content.read(PIECE):
        pass


def _pass(_member: Member) -> None:
    """Look at nothing more of a member: what it holds was vouched for by the compression."""
