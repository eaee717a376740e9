"""What a server's processes have used, as proc(5) tells it."""

from __future__ import annotations

import contextlib
import os
import re
from pathlib import Path

__all__ = ["children", "cpu_seconds", "descriptors", "forget_peak", "peak_mib", "resident_kib"]

_TICKS = os.sysconf("SC_CLK_TCK")
_PROC = Path("/proc")


def _stat(pid: int) -> list[str]:
    """Give the fields of /proc/PID/stat from the third, the state, on."""
    return (_PROC / str(pid) / "stat").read_text().rpartition(")")[2].split()


def children(pid: int) -> list[int]:
    """List the direct children of a process."""
    found = []
    for entry in _PROC.iterdir():
        with contextlib.suppress(OSError, ValueError, IndexError):
            if int(_stat(int(entry.name))[1]) == pid:
                found.append(int(entry.name))
    return sorted(found)


def _family(pid: int) -> list[int]:
    return [pid, *(one for child in children(pid) for one in _family(child))]


def cpu_seconds(pid: int) -> float:
    """Give the user and system time of a process and all beneath it, the ended ones too."""
    ticks = 0
    for one in _family(pid):
        with contextlib.suppress(OSError):
            # utime, stime, and cutime, cstime of children that ended and were waited for.
            ticks += sum(map(int, _stat(one)[11:15]))
    return ticks / _TICKS


def _memory_kib(pid: int, file: str, key: str) -> int:
    match = re.search(rf"^{key}:\s+(\d+) kB", (_PROC / str(pid) / file).read_text(), re.MULTILINE)
    return int(match[1]) if match else 0


def peak_mib(pid: int) -> float:
    """Give the sum of the highest resident sizes of a process and all beneath it."""
    return sum(_memory_kib(one, "status", "VmHWM") for one in _family(pid)) / 1024


def forget_peak(pid: int) -> None:
    """Let the highest resident sizes begin anew from the present ones."""
    for one in _family(pid):
        (_PROC / str(one) / "clear_refs").write_text("5")


def resident_kib(pid: int) -> int:
    """Give the sum of the proportional sizes: shared pages count once in all."""
    return sum(_memory_kib(one, "smaps_rollup", "Pss") for one in _family(pid))


def descriptors(pid: int) -> int:
    """Count the open descriptors of one process."""
    return len(os.listdir(_PROC / str(pid) / "fd"))
