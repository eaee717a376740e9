"""The disks that a depot writes to, for its state and its log: writable, and with room."""

from __future__ import annotations

import os
from contextlib import suppress
from typing import TYPE_CHECKING

from depotserve.inspection.finding import Grade, caution, command, fault, fine

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from depotserve.inspection.finding import Finding
    from depotserve.inspection.scene import Scene

__all__ = ["grade_of_room", "look"]

_TOPIC = "disk"
# Some seven million lines of access log: months of a quiet depot, and ten minutes of a busy one.
_PLENTY = 1 << 30
# A disk that never had a gibibyte to spare is judged by its size: what is kept for root on it.
_SMALL_SHARE = 0.05
_LEAST = 64 << 20  # at 12,000 requests a second the access log takes half a minute for it
_FEW_NAMES, _LEAST_NAMES = 1000, 50  # each lock, log and rename over a file needs one
_READ_ONLY = "{command}; if it became so by itself, dmesg says why: a failing disk, mostly"
_ROOM = "free some: du -xh {path} | sort -h | tail names the largest; or move HOME to a larger disk"
_NAMES = "remove small files: du -x --inodes {path} | sort -n | tail names the fullest folders"


def look(scene: Scene) -> Iterator[Finding]:
    """Tell of each file system that state and log lie on whether it takes more, and how much."""
    for folder, status in _file_systems(scene):
        if status.f_flag & os.ST_RDONLY:
            yield _read_only(folder)
            continue
        yield _of_bytes(
            folder, status.f_bavail * status.f_frsize, status.f_blocks * status.f_frsize
        )
        # Some file systems make names as they need them, and say 0 of 0.
        if status.f_files and status.f_favail < _FEW_NAMES:
            grade = fault if status.f_favail < _LEAST_NAMES else caution
            text = f"{folder}: room for {status.f_favail} more files (inodes) on its disk"
            yield grade(_TOPIC, text, _NAMES.format(path=command(_mount_point(folder))))


def _file_systems(scene: Scene) -> list[tuple[Path, os.statvfs_result]]:
    """Give one folder of each file system, and its status."""
    found: dict[int, tuple[Path, os.statvfs_result]] = {}
    for folder in (scene.home.state, scene.home.log):
        # What hinders that, the look at the service's user tells.
        with suppress(OSError):
            found.setdefault(os.stat(folder).st_dev, (folder, os.statvfs(folder)))
    return list(found.values())


def _read_only(folder: Path) -> Finding:
    again = command("mount", "-o", "remount,rw", _mount_point(folder))
    advice = _READ_ONLY.format(command=again)
    return fault(_TOPIC, f"{folder}: its file system is mounted read-only", advice)


def _mount_point(folder: Path) -> Path:
    return next(one for one in (folder, *folder.parents) if os.path.ismount(one))


def _of_bytes(folder: Path, free: int, size: int) -> Finding:
    grade = grade_of_room(free, size)
    text = f"{folder}: {_in_words(free)} free"
    if grade is Grade.FINE:
        return fine(_TOPIC, text)
    advice = _ROOM.format(path=command(_mount_point(folder)))
    if grade is Grade.CAUTION:
        return caution(_TOPIC, f"{text} of {_in_words(size)}", advice)
    return fault(_TOPIC, f"{text} of {_in_words(size)}: no room for log and state", advice)


def _in_words(amount: int) -> str:
    return f"{amount >> 30} GiB" if amount >= 1 << 30 else f"{amount >> 20} MiB"


def grade_of_room(free: int, size: int) -> Grade:
    """Judge bytes that are free to the service of a file system's size in bytes."""
    if free < _LEAST:
        return Grade.FAULT
    return Grade.CAUTION if free < min(_PLENTY, size * _SMALL_SHARE) else Grade.FINE
