"""What a home needs of the file system it lies on, found out by trying it."""

from __future__ import annotations

import contextlib
import fcntl
import os
import secrets
import shutil
import stat
from typing import TYPE_CHECKING, Callable

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

__all__ = ["shortcomings"]


def shortcomings(folder: Path) -> tuple[str, ...]:
    """Try in `folder` what a home needs and name each thing that its file system cannot do.

    Empty means that a home can lie there. Symlinks are not tried: a home needs none. Works in a
    folder of its own, which is gone afterwards. Raises OSError if nothing can be made there.
    """
    trial = folder / f".depotserve-trial-{secrets.token_hex(8)}"
    os.mkdir(trial, 0o700)
    try:
        return tuple(name for name, works in _TRIALS.items() if not _holds(works, trial))
    finally:
        shutil.rmtree(trial, ignore_errors=True)


def _holds(works: Callable[[Path], bool], trial: Path) -> bool:
    try:
        return works(trial)
    except OSError:
        return False


def _keeps_modes(trial: Path) -> bool:
    """Tell whether 0600 and 0640 stay what they are; FAT gives one mode to all files."""
    path = trial / "mode"
    with _made(path) as descriptor:
        return all(_takes_mode(descriptor, mode) for mode in (0o600, 0o640))


def _takes_mode(descriptor: int, mode: int) -> bool:
    os.fchmod(descriptor, mode)
    return stat.S_IMODE(os.fstat(descriptor).st_mode) == mode


def _renames_over(trial: Path) -> bool:
    for name in ("old", "new"):
        with _made(trial / name) as descriptor:
            os.write(descriptor, name.encode())
    os.rename(trial / "new", trial / "old")
    with open(trial / "old", "rb") as stream:
        return stream.read(16) == b"new"


def _locks(trial: Path) -> bool:
    """Tell whether a second open file is kept out; some network file systems let it in."""
    with _made(trial / "lock") as first:
        fcntl.flock(first, fcntl.LOCK_EX | fcntl.LOCK_NB)
        second = os.open(trial / "lock", os.O_RDWR)
        try:
            fcntl.flock(second, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            return True
        finally:
            os.close(second)
    return False


def _syncs(trial: Path) -> bool:
    with _made(trial / "sync") as descriptor:
        os.write(descriptor, b"sync")
        os.fsync(descriptor)
    return True


@contextlib.contextmanager
def _made(path: Path) -> Iterator[int]:
    descriptor = os.open(path, os.O_RDWR | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, 0o600)
    try:
        yield descriptor
    finally:
        os.close(descriptor)


_TRIALS: dict[str, Callable[[Path], bool]] = {
    "keep a file's mode": _keeps_modes,
    "rename over a file": _renames_over,
    "lock a file": _locks,
    "write a file through to the disk": _syncs,
}
