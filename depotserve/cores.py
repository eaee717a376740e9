"""How many processors this process may use."""

from __future__ import annotations

import os

__all__ = ["usable_cores"]


def usable_cores() -> int:
    """Count them: those that this process is bound to, of all that the machine has."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1
