"""Depots started by way of another program, and patience."""

from __future__ import annotations

import time
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable


def wait_until(true: Callable[[], object], seconds: float = 20.0) -> None:
    """Wait until something is true; fail after so many seconds."""
    deadline = time.monotonic() + seconds
    while not true():
        assert time.monotonic() < deadline
        time.sleep(0.05)
