"""Archives and images, walked from their beginning to their end: is any of them cut short."""

from __future__ import annotations

from typing import TYPE_CHECKING, BinaryIO, Callable

from depotserve.tree.compression import compression
from depotserve.tree.structure import ar, iso, named, rpm, stated, tar
from depotserve.tree.structure.outcome import BrokenError, Structure, UnwalkedError
from depotserve.tree.structure.ova import walk_tar_or_ova
from depotserve.tree.structure.packed import walk_packed_file
from depotserve.tree.structure.zip import is_zip_behind_a_program, walk_zip

if TYPE_CHECKING:
    from depotserve.tree.structure.named import Promise

__all__ = ["Structure", "examine"]

_HEAD = 65536  # bytes; the descriptors of a disc lie within
# Walks to the end and gives the kind; raises BrokenError, UnwalkedError, and OSError of reading.
_Walk = Callable[[BinaryIO, int], str]

_BY_MAGIC: dict[bytes, tuple[str, _Walk]] = {
    b"PK\3\4": ("zip", walk_zip),
    b"PK\5\6": ("zip", walk_zip),  # one without members is its end record
    b"PK\7\x08": ("zip", walk_zip),
    rpm.MAGIC: ("rpm", rpm.walk_rpm),
    ar.MAGIC: ("ar", ar.walk_ar),
    b"7z\xbc\xaf\x27\x1c": ("7z", stated.walk_7z),
    b"MSCF\0\0\0\0": ("cab", stated.walk_cabinet),
    b"hsqs": ("squashfs", stated.walk_squashfs),
}
_BZIP2_BLOCKS = (b"\x31\x41\x59\x26\x53\x59", b"\x17\x72\x45\x38\x50\x90")
# What may stand before an archive: programs and scripts that unpack themselves.
_PROGRAMS = (b"MZ", b"\x7fELF", b"#!")


def examine(stream: BinaryIO, size: int, name: bytes) -> Structure:
    """Tell what a file is by its content, and walk its structure to the end.

    `stream` can be sought and has `size` bytes; `name` is its path or file name, which counts only
    where the content is none of what it promises. Memory stays small whatever the file is; the time
    is that of reading it once, or twice, and of unpacking a hundred times as much. Raises OSError
    of reading, nothing else.
    """
    stream.seek(0)
    head = _read(stream, min(_HEAD, size))
    kind, walk = _told_by_content(stream, size, head, named.promise(name))
    if walk is None:
        return _unkept(named.promise(name), head, size)
    try:
        return _kept(Structure(walk(stream, size)), named.promise(name))
    except UnwalkedError as error:
        return Structure(kind, unwalked=str(error))
    except BrokenError as error:
        if named.is_piece(name):
            return Structure(kind, unwalked="it is one of several pieces: not walked")
        return Structure(kind, wrong=str(error))


def _told_by_content(
    stream: BinaryIO, size: int, head: bytes, promise: Promise | None
) -> tuple[str | None, _Walk | None]:
    for magic, known in _BY_MAGIC.items():
        if head.startswith(magic):
            return known
    packed = compression(head)
    # Any text may begin as bzip2 does; a block or the end of the stream follows.
    if packed and (packed != "bzip2" or head[4:10] in _BZIP2_BLOCKS):
        return packed, walk_packed_file
    if iso.is_disc(head[iso.DESCRIPTORS :]):
        return "iso9660", iso.walk_disc
    if tar.is_tar(head):
        return "tar", walk_tar_or_ova
    is_zip = promise is not None and promise.suffix == "zip"
    if (is_zip or head.startswith(_PROGRAMS)) and is_zip_behind_a_program(stream, size):
        return "zip", walk_zip
    return None, None


def _kept(found: Structure, promise: Promise | None) -> Structure:
    """Judge what was walked by its name: a package that was cut after its magic is an archive."""
    if found.kind == "ar" and promise and promise.suffix in ("deb", "udeb"):
        return Structure("ar", wrong=f"named .{promise.suffix}, but it is no {promise.suffix}")
    return found


def _unkept(promise: Promise | None, head: bytes, size: int) -> Structure:
    """Judge a file of no known format by the promise of its name."""
    if promise is None:
        return Structure()
    wrong = named.disappointment(promise, head, size)
    if wrong:
        return Structure(wrong=wrong)
    if not head.strip(b"\0"):
        return Structure(promise.suffix)
    return Structure(unwalked=f"named .{promise.suffix}, but does not begin like one: not walked")


def _read(stream: BinaryIO, count: int) -> bytes:
    data = stream.read(count)
    while len(data) < count:
        more = stream.read(count - len(data))
        if not more:
            break
        data += more
    return data
