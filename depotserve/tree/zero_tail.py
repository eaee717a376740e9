"""Zeros at the end of a file: space that a download set aside and did not fill."""

from __future__ import annotations

import errno
import os
import re
import sys

__all__ = ["suspicious", "zero_tail"]

_FIRST, _PIECE = 4096, 1024 * 1024  # bytes; most files end in something else and cost one page
_ZEROS = bytes(_PIECE)
# A page or a sector is padded to some KiB, an image of a disc to 300; downloads set aside all.
_LEAST = 1024 * 1024
# Of a file of unknown format this share may be padding of firmware to the size of its chip.
_SHARE = 4
# What is compressed, or ends in a directory or a signature, has no reason to end in zeros.
_NEVER = re.compile(
    rb"\.(?:zip|jar|war|gz|tgz|xz|txz|bz2|tbz2?|zst|rpm|deb|udeb|7z|cab|rar|exe|msi|msu|pdf)$",
    re.IGNORECASE,
)
# Images of disks and of chips, which end in zeros where nothing was written; tar's padding is
# looked at where its structure is.
_OFTEN = re.compile(
    rb"\.(?:img|raw|dd|hdd|vdi|vhd|vhdx|vmdk|qcow2?|bin|rom|fd|ima|dsk|tar|ova)$", re.IGNORECASE
)


def zero_tail(descriptor: int, size: int) -> int:
    """Count the bytes of zeros at the end of an open file of `size` bytes, reading backwards.

    It stops at the first byte that is something else; holes of sparse files are not read. Raises
    OSError of reading.
    """
    end, piece = size, _FIRST
    while end:
        start = max(0, end - piece)
        if not _is_hole(descriptor, start, end):
            start = max(start, end - _PIECE)
            data = os.pread(descriptor, end - start, start)
            if data != _ZEROS[: end - start]:
                # A file that became shorter has nothing there, which is no zero.
                return size - start - len(data.rstrip(b"\0"))
            piece = _PIECE
        else:
            piece *= 2
        end = start
    return size


def _is_hole(descriptor: int, start: int, end: int) -> bool:
    """Tell whether nothing is stored from `start` to `end`; if unknown, it is read."""
    if sys.platform not in ("linux", "darwin"):
        return False
    try:
        return os.lseek(descriptor, start, os.SEEK_DATA) >= end
    except OSError as error:
        return error.errno == errno.ENXIO  # lseek(2): no data up to the end of the file


def suspicious(name: bytes, size: int, zeros: int) -> str | None:
    """Say that a file of `size` bytes that ends in so many zeros may be unfinished, else None.

    At least a MiB: that and more for what never ends in zeros, a quarter of the file for unknown
    formats, all of it for images, whose unused end is zeros rightly.
    """
    if zeros < _LEAST:
        return None
    often, never = _OFTEN.search(name), _NEVER.search(name)
    least = size if often else 0 if never else size / _SHARE
    if zeros < least:
        return None
    return "it is zeros throughout" if zeros == size else f"its last {zeros} bytes are zeros"
