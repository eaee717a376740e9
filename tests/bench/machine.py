"""The machine that the figures are of; nothing that names this one in particular."""

from __future__ import annotations

import os
import platform
import re
import ssl
import subprocess
from importlib.metadata import version
from pathlib import Path

import wrk

import depotserve

__all__ = ["describe"]

_LIBRARIES = ("aiohttp", "bcrypt", "starlette", "uvicorn", "h11")


def describe(work: Path) -> dict[str, object]:
    """Describe processor, memory, kernel, file system and versions."""
    return {
        "processor": _find("/proc/cpuinfo", r"^model name\s*:\s*(.*)$"),
        "cores": len(os.sched_getaffinity(0)),
        "memory_mib": int(_find("/proc/meminfo", r"^MemTotal:\s*(\d+) kB$")) // 1024,
        "kernel": platform.release(),
        "file_system": _file_system(work),
        "python": platform.python_version(),
        "openssl": ssl.OPENSSL_VERSION,
        "wrk": wrk.version(),
        "depotserve": depotserve.__version__,
        **{name: version(name) for name in _LIBRARIES},
    }


def _find(file: str, pattern: str) -> str:
    match = re.search(pattern, Path(file).read_text(), re.MULTILINE)
    return match[1] if match else "0"


def _file_system(folder: Path) -> str:
    done = subprocess.run(
        ["stat", "-f", "-c", "%T", str(folder)], capture_output=True, text=True, check=False
    )
    return done.stdout.strip()
