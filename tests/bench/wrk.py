"""Small requests by wrk, a load generator in C that keeps its connections open."""

from __future__ import annotations

import re
import resource
import subprocess
from pathlib import Path
from typing import TYPE_CHECKING

import attrs
from figures import Sample
from processes import cpu_seconds

if TYPE_CHECKING:
    from servers import Subject

__all__ = ["Ranges", "load", "version"]

_SCRIPT = Path(__file__).parent / "load.lua"
_FIGURES = re.compile(r"^figures (\d+) (\d+) (\d+) (\d+) (\d+)$", re.MULTILINE)


@attrs.frozen
class Ranges:
    """Ranges of `size` bytes at random ones of `count` places, `step` apart from `first`."""

    size: int
    first: int
    step: int
    count: int


def version() -> str:
    """Give the version's name. Raises FileNotFoundError if wrk is not installed."""
    # It says its version when asked for its usage, and ends with status 1.
    done = subprocess.run(["wrk", "-v"], capture_output=True, text=True, check=False)
    return " ".join((done.stdout + done.stderr).split()[:2])


def load(
    subject: Subject, path: str, connections: int, seconds: int, ranges: Ranges | None = None
) -> Sample:
    """Ask for one file again and again, by one thread of wrk; `work` is in requests."""
    places = () if ranges is None else map(str, attrs.astuple(ranges))
    server, client = cpu_seconds(subject.pid), _client_cpu()
    done = subprocess.run(
        [
            *("wrk", "-t1", f"-c{connections}", f"-d{seconds}s", "--timeout", "20s"),
            *("-s", str(_SCRIPT), "-H", f"Authorization: {subject.credential.value}"),
            *(subject.url(path), "--", *places),
        ],
        capture_output=True,
        text=True,
        check=False,
    )
    found = _FIGURES.search(done.stdout)
    if found is None:
        raise RuntimeError(f"wrk failed: {done.stdout} {done.stderr}")
    requests, micros, _, refused, broken = map(int, found.groups())
    return Sample(
        work=max(requests, 1),
        seconds=micros / 1e6,
        server_cpu=cpu_seconds(subject.pid) - server,
        client_cpu=_client_cpu() - client,
        faults=refused + broken,
    )


def _client_cpu() -> float:
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    return used.ru_utime + used.ru_stime
