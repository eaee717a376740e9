"""The content that is served, made when a line first asks for it."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING

import attrs

if TYPE_CHECKING:
    from pathlib import Path

__all__ = ["GIB", "KIB", "MIB", "SPARSE_BYTES", "Content", "is_cold", "make_cold"]

KIB, MIB, GIB = 1 << 10, 1 << 20, 1 << 30
SPARSE_BYTES = 100 * GIB
_PIECE = 16 * MIB
_A_FOLDER = 1000  # names of each folder in the tree of many
_DROP = "/proc/sys/vm/drop_caches"


@attrs.frozen
class Content:
    """Files beneath one folder; each method gives a path relative to it, made at need."""

    folder: Path

    def small(self, size: int) -> str:
        """Make a file of random bytes that is read into memory at once."""
        name = f"{size // KIB}k.bin"
        if not (self.folder / name).exists():
            (self.folder / name).write_bytes(os.urandom(size))
        return name

    def large(self, size: int) -> str:
        """Make a file of random bytes, which no disk can compress, on the disk and in the cache."""
        name = f"{size // MIB}m.bin"
        with open(self.folder / name, "ab+") as file:
            while (missing := size - os.fstat(file.fileno()).st_size) > 0:
                file.write(os.urandom(min(missing, _PIECE)))
                file.flush()
            os.fsync(file.fileno())
        return name

    def sparse(self) -> str:
        """Make a file of 100 GiB that takes no room."""
        name = "sparse.bin"
        with open(self.folder / name, "ab") as file:
            file.truncate(SPARSE_BYTES)
        return name

    def many(self, count: int) -> str:
        """Make a folder of empty files."""
        name = f"names{count}"
        (self.folder / name).mkdir(exist_ok=True)
        for number in range(count):
            _touch(self.folder / name / f"pump-station-{number:07}.log")
        return name

    def tree(self, count: int, *, distinct: bool = False) -> Path:
        """Make a tree of files in folders of a thousand, empty ones or distinct; give its root."""
        for number in range(count):
            folder = self.folder / f"unit{number // _A_FOLDER:04}"
            if number % _A_FOLDER == 0:
                folder.mkdir(parents=True)
            _touch(folder / f"part-{number:07}.bin", b"%d\n" % number if distinct else b"")
        return self.folder

    def warm(self, name: str) -> None:
        """Read a file once, so that the page cache holds it."""
        with open(self.folder / name, "rb", buffering=0) as file:
            while file.read(_PIECE):
                pass


def _touch(path: Path, content: bytes = b"") -> None:
    descriptor = os.open(path, os.O_CREAT | os.O_WRONLY, 0o644)
    if content:
        os.write(descriptor, content)
    os.close(descriptor)


def make_cold(path: Path, *, everything: bool) -> None:
    """Take a file out of the page cache; with `everything` and the right to, all files."""
    with open(path, "rb") as file:
        os.fsync(file.fileno())
        os.posix_fadvise(file.fileno(), 0, 0, os.POSIX_FADV_DONTNEED)
    if everything and os.geteuid() == 0:
        with open(_DROP, "w") as kernel:
            kernel.write("3")


def is_cold(path: Path) -> bool:
    """Tell whether neither begin nor middle nor end of a file is in the page cache.

    Where the file system cannot tell (preadv2(2)), it is taken to be cold.
    """
    with open(path, "rb") as file:
        size = os.fstat(file.fileno()).st_size
        return not any(_is_cached(file.fileno(), at) for at in (0, size // 2, size - 1))


def _is_cached(descriptor: int, offset: int) -> bool:
    try:
        return os.preadv(descriptor, [bytearray(1)], offset, os.RWF_NOWAIT) == 1
    except OSError:
        return False
