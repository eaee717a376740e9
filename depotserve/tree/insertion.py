"""A file's way to its path in a tree: whole or not at all, and like what lies around it."""

from __future__ import annotations

import contextlib
import errno
import os
import secrets
import stat
from typing import TYPE_CHECKING, BinaryIO

from depotserve.tree.entry import Entry, kind_of_mode, shown

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

__all__ = ["BlockedError", "insert", "look_at", "real_path"]

_FOLDER = os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC
_NEW = os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC
# Nobody but owner and group may write what is put there, however open its folder is.
_FILE_MODE, _FOLDER_MODE = 0o664, 0o2775
_LONGEST_NAME = 200  # bytes; of 255 (NAME_MAX), the rest is for what makes a temporary's name


class BlockedError(Exception):
    """Something is in the way, which only a person may take away; its text says what."""


def real_path(root: Path, path: bytes) -> bytes:
    """Give `path` with the links of its folders followed; what it names itself may be a link.

    Raises BlockedError if they lead out of the tree.
    """
    base = os.path.realpath(os.fsencode(root))
    folder, name = os.path.split(os.path.join(base, path))
    folder = os.path.realpath(folder)
    if os.path.commonpath([folder, base]) != base:
        raise BlockedError("a link on its way leads out of the tree")
    return os.path.relpath(os.path.join(folder, name), base)


def look_at(root: Path, path: bytes) -> Entry | None:
    """Give what lies at a real path, None for nothing. Raises BlockedError, OSError."""
    try:
        found = os.lstat(os.path.join(os.fsencode(root), path))
    except FileNotFoundError:
        return None
    except NotADirectoryError:
        raise BlockedError(f"no folder is at {shown(os.path.dirname(path))}") from None
    return _entry(found)


def insert(
    root: Path, path: bytes, write: Callable[[BinaryIO], None], *, instead_of: Entry | None
) -> None:
    """Write a file beside its place, then rename it there; missing folders are made.

    `path` is a real one, `instead_of` what `look_at` found there: if anything else is there when
    the file has been written, that stays. A run that is killed leaves the place as it was, and
    beside it a file whose name tells that it is unfinished. Mode and owner are those of the folder
    above. Raises BlockedError, OSError, and whatever `write` raises; then nothing is left.
    """
    folder, _, name = path.rpartition(b"/")
    kept = name if len(name) <= _LONGEST_NAME else b""
    temporary = b".%s.%s.part" % (kept, secrets.token_hex(8).encode())
    with _opened_folder(root, folder) as descriptor:
        try:
            _write(descriptor, temporary, write)
            _rename(descriptor, temporary, name, instead_of)
        finally:
            with contextlib.suppress(OSError):
                os.unlink(temporary, dir_fd=descriptor)
        _sync(descriptor)


def _rename(folder: int, temporary: bytes, name: bytes, instead_of: Entry | None) -> None:
    if _look_in(folder, name) != instead_of:
        raise BlockedError("something else was put there meanwhile")
    os.rename(temporary, name, src_dir_fd=folder, dst_dir_fd=folder)


def _write(folder: int, name: bytes, write: Callable[[BinaryIO], None]) -> None:
    # Buffered, since a bare write may take less than it is given.
    with open(os.open(name, _NEW, 0o600, dir_fd=folder), "wb") as stream:
        write(stream)
        stream.flush()
        _be_like(folder, stream.fileno(), _FILE_MODE)
        os.fsync(stream.fileno())


@contextlib.contextmanager
def _opened_folder(root: Path, path: bytes) -> Iterator[int]:
    """Open a folder beneath the root, through no link, making what is missing of it."""
    descriptor = os.open(root, _FOLDER)
    try:
        for name in filter(None, path.split(b"/")):
            inner = _open_or_make(descriptor, name)
            os.close(descriptor)
            descriptor = inner
        yield descriptor
    finally:
        os.close(descriptor)


def _open_or_make(above: int, name: bytes) -> int:
    with contextlib.suppress(FileNotFoundError):
        return os.open(name, _FOLDER | os.O_NOFOLLOW, dir_fd=above)
    os.mkdir(name, 0o700, dir_fd=above)
    made = os.open(name, _FOLDER | os.O_NOFOLLOW, dir_fd=above)
    _be_like(above, made, _FOLDER_MODE)
    _sync(above)
    return made


def _be_like(folder: int, new: int, most: int) -> None:
    """Give a new file or folder the owner of its folder, and the mode as far as `most` goes."""
    state = os.fstat(folder)
    # Only an administrator may give files away, and FAT and some shares hold neither of the two.
    with contextlib.suppress(OSError):
        os.fchown(new, state.st_uid, state.st_gid)
    with contextlib.suppress(OSError):
        os.fchmod(new, stat.S_IMODE(state.st_mode) & most | 0o600)


def _look_in(folder: int, name: bytes) -> Entry | None:
    try:
        return _entry(os.stat(name, dir_fd=folder, follow_symlinks=False))
    except FileNotFoundError:
        return None


def _entry(found: os.stat_result) -> Entry:
    return Entry(
        b"",
        kind_of_mode(found.st_mode),
        found.st_size,
        found.st_mtime_ns,
        found.st_ctime_ns,
        found.st_ino,
        found.st_dev,
    )


def _sync(folder: int) -> None:
    try:
        os.fsync(folder)
    except OSError as error:
        # Some network file systems cannot sync a folder; they say so with EINVAL.
        if error.errno != errno.EINVAL:
            raise
