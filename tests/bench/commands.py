"""Commands of the product, run to their end, with their time and their memory."""

from __future__ import annotations

import contextlib
import subprocess
import sys
import time
from typing import NamedTuple

from processes import peak_mib

__all__ = ["Ran", "run"]

_TURN = 0.1  # seconds between two looks at memory, whose peak the system keeps meanwhile


class Ran(NamedTuple):
    """What a command cost, from its start to its end."""

    seconds: float
    mib: float  # the highest sum of the peaks of its processes


def run(*arguments: str) -> Ran:
    """Run `depotserve` with some arguments. Raises RuntimeError if its status is not 0."""
    begun, highest = time.perf_counter(), 0.0
    with subprocess.Popen(
        [sys.executable, "-m", "depotserve", *arguments],
        stdin=subprocess.DEVNULL,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
    ) as process:
        while process.returncode is None:
            with contextlib.suppress(OSError):  # one of them has just ended
                highest = max(highest, peak_mib(process.pid))
            with contextlib.suppress(subprocess.TimeoutExpired):
                process.wait(_TURN)
        seconds = time.perf_counter() - begun
        said = process.stderr.read() if process.stderr else b""
    if process.returncode:
        raise RuntimeError(f"{' '.join(arguments)}: {said[-200:].decode(errors='replace')}")
    return Ran(seconds, highest)
