"""Disks and shares that the machine knows and has not mounted."""

from __future__ import annotations

import os
import re
from pathlib import Path
from typing import TYPE_CHECKING

from depotserve.errors import DepotError
from depotserve.home import read_bounded
from depotserve.http.content import mounted_now

if TYPE_CHECKING:
    from collections.abc import Iterator

__all__ = ["unmounted"]

_TABLE = "/etc/fstab"
_MOST = 1 << 20  # bytes; a box with a thousand shares has a tenth of it
_ESCAPE = re.compile(r"\\([0-7]{3})")


def unmounted(path: Path) -> str:
    """Name the place at, above or beneath `path` where fstab(5) has a disk and none is mounted.

    Empty if there is none: then nothing says that one is missing.
    """
    real, mounted = os.path.realpath(path), mounted_now()
    for point in _points():
        if _touch(point, real) and os.fsencode(point) not in mounted:
            return point
    return ""


def _points() -> Iterator[str]:
    try:
        text = read_bounded(Path(_TABLE), _MOST).decode("utf-8", "surrogateescape")
    except DepotError:
        return
    for line in text.splitlines():
        fields = line.split()
        is_entry = len(fields) >= 4 and not line.lstrip().startswith("#")
        # What is swap, or mounted by hand only, has no place or says so.
        if is_entry and fields[1].startswith("/") and "noauto" not in fields[3].split(","):
            point = fields[1].rstrip("/")
            if point:  # the machine runs, so its root is mounted
                yield _ESCAPE.sub(lambda found: chr(int(found[1], 8)), point)


def _touch(point: str, path: str) -> bool:
    """Tell whether one of two paths is the other or lies beneath it."""
    return os.path.commonpath([point, path]) in (point, path)
