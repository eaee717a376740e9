"""Depots started by way of another program, and patience."""

from __future__ import annotations

import subprocess
import time
from typing import TYPE_CHECKING

import harness
import yaml

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from pathlib import Path


def start_through(through: Sequence[str], home: Path, *, workers: int = 1) -> harness.RunningDepot:
    """Start a depot by a program that is given the command to run; wait for its listeners."""
    process = subprocess.Popen(
        [*through, *harness.command("serve", "--home", home, "--workers", str(workers))],
        stdin=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
        env=harness.environment(),
    )
    depot = harness.RunningDepot(home, process)
    depot.collect()
    try:
        depot.wait_until_listening(
            len(yaml.safe_load((home / "depot.yaml").read_text())["listeners"])
        )
    except BaseException:
        depot.stop(status=None)
        raise
    return depot


def wait_until(true: Callable[[], object], seconds: float = 20.0) -> None:
    """Wait until something is true; fail after so many seconds."""
    deadline = time.monotonic() + seconds
    while not true():
        assert time.monotonic() < deadline
        time.sleep(0.05)
