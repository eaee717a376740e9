"""Line 16: a second run over a tree of a million files in which nothing has changed."""

from __future__ import annotations

import os
import shutil
import time
from functools import partial
from typing import TYPE_CHECKING

from commands import Ran, run
from content import Content
from figures import Case, Check, check_ratio, spread
from stage import Stage, alternate, progress

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

__all__ = ["cases"]

_MANY, _QUICK = 1_000_000, 100_000
_SETTLED = 2.5  # seconds after which a change of a file is told by its times
_MOST_MIB = 200


def cases(stage: Stage) -> Iterator[Case]:
    """Compare `tree check` with one list, and `tree manifest`, with a bare walk that looks."""
    count = _QUICK if stage.quick else _MANY
    progress(f"   making a tree of {count:,} files, and running for the first time")
    root, state = stage.work / "second-run", stage.work / "second-run-state"
    Content(root).tree(count, distinct=True)
    _list(root, state)
    commands = {
        "tree check, one list": ("tree", "check", str(root), "--state", str(state)),
        "tree manifest": ("tree", "manifest", str(root), "--state", str(state)),
    }
    for arguments in commands.values():
        run(*arguments)
    works = [*(partial(run, *one) for one in commands.values()), partial(_bare, root)]
    *ours, bare = alternate(works, stage.rounds, _call)
    shutil.rmtree(root)
    figures = {
        name: {"s": spread(one.seconds for one in found), "MiB": spread(one.mib for one in found)}
        for name, found in zip((*commands, "bare scandir and stat"), (*ours, bare))
    }
    checks = [one for name, found in zip(commands, ours) for one in _checks(name, found, bare)]
    yield Case(16, f"{count:,} unchanged files, run again", figures, checks)


def _checks(name: str, ours: list[Ran], bare: list[Ran]) -> Iterator[Check]:
    mine, theirs = ([one.seconds for one in found] for found in (ours, bare))
    yield check_ratio(f"time of {name}, to bare scandir and stat", mine, theirs, "<= 3")
    yield Check(f"MiB of {name}", spread(one.mib for one in ours), f"<= {_MOST_MIB}")


def _call(work: partial[Ran]) -> Ran:
    return work()


def _list(root: Path, state: Path) -> None:
    """Let the tree carry a list of its files; nothing is remembered of what has just changed."""
    time.sleep(_SETTLED)
    run("tree", "manifest", str(root), "--state", str(state), "--out", f"{root}.sha256")
    os.replace(f"{root}.sha256", root / "SHA256SUMS")
    time.sleep(_SETTLED)


def _bare(root: Path) -> Ran:
    begun = time.perf_counter()
    waiting = [str(root)]
    while waiting:
        with os.scandir(waiting.pop()) as found:
            for one in found:
                one.stat(follow_symlinks=False)
                if one.is_dir(follow_symlinks=False):
                    waiting.append(one.path)
    return Ran(time.perf_counter() - begun, 0.0)
