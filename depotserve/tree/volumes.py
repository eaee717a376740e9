"""Whether a file system's device, inode and times can be believed to name one content."""

from __future__ import annotations

import os
import re
from pathlib import Path
from typing import NamedTuple

__all__ = ["Volumes", "parse_mounts"]

# Local file systems that give a file its change time themselves. Others (network, FUSE, FAT, media
# that come and go) may give one identity to two contents.
_BELIEVED = frozenset(
    ["ext2", "ext3", "ext4", "xfs", "btrfs", "zfs", "f2fs", "jfs", "bcachefs", "tmpfs", "overlay"]
)
_MOUNTS = Path("/proc/self/mountinfo")
_MOST = 4 * 1024 * 1024  # bytes; a machine with thousands of containers has less
_OCTAL = re.compile(rb"\\([0-7]{3})")


class Mount(NamedTuple):
    """A line of mountinfo (proc(5))."""

    device: str  # major:minor
    point: bytes
    kind: str


class Volumes:
    """The file systems of this machine, as they are mounted now."""

    def __init__(self) -> None:
        self._mounts = parse_mounts(_read_mounts())
        self._known: dict[int, bool] = {}

    def may_remember(self, device: int, path: bytes) -> bool:
        """Tell whether digests of files of `device`, such as the one at `path`, may be remembered.

        They may not on removable, network, FUSE and unknown file systems.
        """
        known = self._known.get(device)
        if known is None:
            known = self._known[device] = self._looks_fixed(device, path)
        return known

    def _looks_fixed(self, device: int, path: bytes) -> bool:
        name = f"{os.major(device)}:{os.minor(device)}"
        mount = next((one for one in self._mounts if one.device == name), None)
        mount = mount or self._holding(os.path.realpath(path))
        return mount is not None and mount.kind in _BELIEVED and not _is_removable(mount.device)

    def _holding(self, path: bytes) -> Mount | None:
        """Find the mount by its place: some file systems give files another device's number."""
        held = (
            one for one in self._mounts if (path + b"/").startswith(one.point.rstrip(b"/") + b"/")
        )
        return max(held, key=lambda one: len(one.point), default=None)


def parse_mounts(content: bytes) -> list[Mount]:
    """Read mountinfo; the last mount on a place is the one that is seen, so it comes first."""
    return [mount for line in reversed(content.splitlines()) if (mount := _mount(line))]


def _mount(line: bytes) -> Mount | None:
    before, _, after = line.partition(b" - ")
    fields, kind = before.split(), after.split()
    if len(fields) < 5 or not kind:
        return None
    point = _OCTAL.sub(lambda found: bytes([int(found[1], 8) & 255]), fields[4])
    return Mount(fields[2].decode("ascii", "replace"), point, kind[0].decode("ascii", "replace"))


def _read_mounts() -> bytes:
    try:
        with open(_MOUNTS, "rb") as stream:
            return stream.read(_MOST)
    except OSError:
        return b""  # nothing is known, so nothing is remembered


def _is_removable(device: str) -> bool:
    """Tell whether a block device is one that people carry away: marked so, or on USB."""
    place = Path(os.path.realpath(f"/sys/dev/block/{device}"))
    if any(part.startswith("usb") for part in place.parts):
        return True
    # A partition's disk is the folder above it.
    return any(map(_says_removable, (place, place.parent)))


def _says_removable(folder: Path) -> bool:
    try:
        with open(folder / "removable", "rb") as stream:
            return stream.read(1) == b"1"
    except OSError:
        return False
