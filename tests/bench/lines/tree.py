"""Line 9: the start on a tree of a million files, and on one of ten."""

from __future__ import annotations

import time
from functools import partial
from typing import TYPE_CHECKING

from content import Content
from figures import Case, check_ratio, spread
from processes import resident_kib
from stage import Stage, alternate, progress

if TYPE_CHECKING:
    from collections.abc import Iterator

    from servers import Home

__all__ = ["cases"]

_FEW, _MANY = 10, 1_000_000
_SETTLED = 0.5  # seconds after the start at which memory is looked at


def cases(stage: Stage) -> Iterator[Case]:
    """Compare how long a start takes, to the line that names the listeners, and its memory."""
    progress(f"   making a tree of {_MANY:,} files")
    homes = [_home(stage, count) for count in (_FEW, _MANY)]
    few, many = alternate(homes, stage.rounds, partial(_start, stage))
    figures = {
        f"{count:,} files": {
            "start s": spread(seconds for seconds, _ in found),
            "memory MiB": spread(memory for _, memory in found),
        }
        for count, found in ((_FEW, few), (_MANY, many))
    }
    checks = [
        check_ratio(what, [one[place] for one in many], [one[place] for one in few], "<= 1.15")
        for place, what in enumerate(("time to start", "memory"))
    ]
    yield Case(9, f"start on {_MANY:,} files, to that on {_FEW}", figures, checks)


def _home(stage: Stage, count: int) -> Home:
    return stage.home(Content(stage.work / f"tree{count}").tree(count))


def _start(stage: Stage, home: Home) -> tuple[float, float]:
    begun = time.perf_counter()
    with stage.running(home, stage.cores) as depot:
        seconds = time.perf_counter() - begun
        time.sleep(_SETTLED)
        return seconds, resident_kib(depot.process.pid) / 1024
