"""Whether a file system's device, inode and times can be believed to name one content."""

from __future__ import annotations

import os
import re
import stat
from pathlib import Path
from typing import NamedTuple

__all__ = ["Mount", "Volumes", "is_carried_about", "parse_mounts"]

# Local file systems that give a file its change time themselves. Others (network, FUSE, FAT, media
# that come and go) may give one identity to two contents. What lies under an overlay may not change
# while it is mounted (overlayfs.rst of the kernel).
_BELIEVED = frozenset(
    ["ext2", "ext3", "ext4", "xfs", "btrfs", "zfs", "f2fs", "jfs", "bcachefs", "tmpfs", "overlay"]
)
# Of them, those that lie on no block device that could be looked at: memory, layers, pools.
_ON_NONE = frozenset(["tmpfs", "overlay", "zfs"])
_OF_MANY_DEVICES = ("btrfs", "overlay")  # whose files may have another number than the mount
_MOUNTS = Path("/proc/self/mountinfo")
_MOST = 4 * 1024 * 1024  # bytes; a machine with thousands of containers has less
# Of folders in sysfs: a bus that people plug into; devices that another machine, or a program of
# anybody's, makes up.
_CARRIED = ("usb", "nbd", "rbd", "ublkb")
_OCTAL = re.compile(rb"\\([0-7]{3})")
_BLOCKS, _NAMES = Path("/sys/dev/block"), Path("/sys/class/block")


class Mount(NamedTuple):
    """A line of mountinfo (proc(5))."""

    device: str  # major:minor
    point: bytes
    kind: str
    source: bytes  # a path, where it lies on a block device


class Volumes:
    """The file systems of this machine, each as it is mounted when it is first asked for."""

    def __init__(self) -> None:
        self._known: dict[int, bool] = {}
        self.doubted: list[str] = []  # where what was asked for may not be remembered, in words

    def may_remember(self, device: int, path: bytes) -> bool:
        """Tell whether digests of files of `device`, such as the one at `path`, may be remembered.

        They may not on removable, network, FUSE and unknown file systems.
        """
        known = self._known.get(device)
        if known is None:
            mount = _mount_of(device, path, parse_mounts(_read_mounts()))
            known = self._known[device] = mount is not None and _looks_fixed(mount)
            if not known:
                self.doubted.append(_named(mount, path))
        return known


def _named(mount: Mount | None, path: bytes) -> str:
    if mount is None:
        return os.fsdecode(path)
    return f"{os.fsdecode(mount.point)} ({mount.kind})"


def _looks_fixed(mount: Mount) -> bool:
    if mount.kind not in _BELIEVED:
        return False
    if mount.device.startswith("0:"):  # no block device's number
        return mount.kind in _ON_NONE or _is_fixed(_block_named(mount.source))
    return _is_fixed(_BLOCKS / mount.device)


def _mount_of(device: int, path: bytes, mounts: list[Mount]) -> Mount | None:
    name = f"{os.major(device)}:{os.minor(device)}"
    found = next((one for one in mounts if one.device == name), None)
    if found:
        return found
    place = os.path.realpath(path) + b"/"
    holding = (one for one in mounts if place.startswith(one.point.rstrip(b"/") + b"/"))
    nearest = max(holding, key=lambda one: len(one.point), default=None)
    return nearest if nearest and nearest.kind in _OF_MANY_DEVICES else None


def parse_mounts(content: bytes) -> list[Mount]:
    """Read mountinfo; the last mount on a place is the one that is seen, so it comes first."""
    return [mount for line in reversed(content.split(b"\n")) if (mount := _mount(line))]


def _mount(line: bytes) -> Mount | None:
    before, _, after = line.partition(b" - ")
    fields, (kind, source, *_) = before.split(b" "), (*after.split(b" "), b"", b"")
    if len(fields) < 5 or not kind:
        return None
    return Mount(_ascii(fields[2]), _plain(fields[4]), _ascii(kind), _plain(source))


def _ascii(text: bytes) -> str:
    return text.decode("ascii", "replace")


def _plain(text: bytes) -> bytes:
    return _OCTAL.sub(lambda found: bytes([int(found[1], 8) & 255]), text)


def _read_mounts() -> bytes:
    try:
        with open(_MOUNTS, "rb") as stream:
            content = stream.read(_MOST)
    except OSError:
        content = b""
    # Of what is not known whole, nothing is believed.
    return content if len(content) < _MOST else b""


def _block_named(source: bytes) -> Path:
    """Find a block device by the path in /dev that was mounted."""
    try:
        number = os.stat(source)
    except OSError:  # a container may not have it
        return _NAMES / os.fsdecode(os.path.basename(source))
    if not stat.S_ISBLK(number.st_mode):
        return _NAMES / "-"
    return _BLOCKS / f"{os.major(number.st_rdev)}:{os.minor(number.st_rdev)}"


def _is_fixed(block: Path) -> bool:
    return os.path.isdir(block) and not is_carried_about(Path(os.path.realpath(block)))


def is_carried_about(block: Path) -> bool:
    """Tell whether a block device is one that people carry away, or lies on one.

    `block` is its folder in sysfs, resolved: it lies in that of the disk (for a partition), which
    lies in those of the buses that lead to it. An image of a disk (a loop or network block device)
    counts too: its file may lie anywhere.
    """
    folders = [block, *block.parents]
    if any(map(_says_so, folders)):
        return True
    return any(is_carried_about(Path(os.path.realpath(part))) for part in _parts(block))


def _says_so(folder: Path) -> bool:
    return (
        folder.name.startswith(_CARRIED)
        or _read(folder / "removable") in (b"1", b"removable")
        or _read(folder / "type") == b"SD"  # of an mmc device; MMC is soldered
        or os.path.isdir(folder / "loop")
    )


def _parts(block: Path) -> list[Path]:
    """Give the devices that one of the device mapper or a RAID is made of."""
    try:
        return [block / "slaves" / name for name in sorted(os.listdir(block / "slaves"))]
    except OSError:
        return []


def _read(file: Path) -> bytes:
    try:
        with open(file, "rb") as stream:
            return stream.read(64).strip()
    except OSError:
        return b""
