"""Renames and link flips at any moment between a check and an open: nothing from outside leaves."""

from __future__ import annotations

import ctypes
import os
import subprocess
import sys
import threading
import time
from collections import Counter
from typing import TYPE_CHECKING

import pytest
from paths_support import MARK, Client, live

if TYPE_CHECKING:
    from pathlib import Path

SECONDS = 20.0
READERS = 16

# Swaps, as fast as the machine can, a folder with a link to one outside and a file with a link to
# one outside, in one step each (renameat2(2), RENAME_EXCHANGE) and by plain renames in between.
SWAPPER = """
import ctypes, os, sys
libc = ctypes.CDLL(None, use_errno=True)
os.chdir(sys.argv[1])
def exchange(one, other):
    if libc.renameat2(-100, one, -100, other, 2):
        raise OSError(ctypes.get_errno(), "renameat2")
while True:
    for _ in range(50):
        exchange(b"d", b"link-d")
        exchange(b"f", b"link-f")
    for _ in range(10):
        os.rename("d", "away"); os.rename("away", "d")
        os.symlink("../outside/f", "new"); os.rename("new", "g")
        os.link("e", "other"); os.rename("other", "g")
"""


def race_tree(base: Path) -> Path:
    root, outside = base / "root", base / "outside"
    (root / "d").mkdir(parents=True)
    outside.mkdir()
    for folder in (root / "d", root, outside):
        (folder / "f").write_bytes(MARK if folder is outside else b"inside")
    (root / "e").write_bytes(b"inside")
    (root / "g").write_bytes(b"inside")
    (root / "link-d").symlink_to("../outside")
    (root / "link-f").symlink_to("../outside/f")
    return root


def can_exchange(folder: Path) -> bool:
    (folder / "x1").touch()
    (folder / "x2").touch()
    libc = ctypes.CDLL(None)
    paths = [os.fsencode(folder / name) for name in ("x1", "x2")]
    return hasattr(libc, "renameat2") and libc.renameat2(-100, paths[0], -100, paths[1], 2) == 0


def race(root: Path, guard: str, seconds: float) -> Counter[str]:
    """Read while names are swapped; count what readers saw, until time is up or a leak is seen."""
    seen: Counter[str] = Counter()
    over = threading.Event()

    def read(port: int) -> None:
        with Client(port) as client:
            while not over.is_set():
                for target in (b"/d/f", b"/f", b"/link-d/f", b"/link-f", b"/g"):
                    status, answer = client.ask(b"GET %b HTTP/1.1\r\nHost: h\r\n\r\n" % target)
                    kind = "leak" if MARK in answer else str(status)
                    seen[kind] += 1
                    if kind == "leak" or status >= 500:
                        over.set()

    with live(root, guard) as depot:
        swapper = subprocess.Popen([sys.executable, "-c", SWAPPER, root])
        readers = [threading.Thread(target=read, args=(depot.port,)) for _ in range(READERS)]
        try:
            for reader in readers:
                reader.start()
            over.wait(seconds)
            assert swapper.poll() is None
        finally:
            over.set()
            for reader in readers:
                reader.join()
            swapper.kill()
            swapper.wait()
        seen["alive"] = int(depot.is_alive())
    return seen


@pytest.fixture
def root(tmp_path: Path) -> Path:
    if not can_exchange(tmp_path):
        pytest.skip("this file system cannot exchange two names in one step (renameat2)")
    return race_tree(tmp_path / "base")


@pytest.mark.slow
def test_swaps_during_20_seconds_let_nothing_out(root: Path) -> None:
    started = time.monotonic()
    seen = race(root, "kept", SECONDS)
    assert time.monotonic() - started >= SECONDS
    assert seen["leak"] == 0
    assert seen["200"] > 500
    assert seen["404"] > 500
    assert set(seen) <= {"200", "404", "leak", "alive"}
    assert seen["alive"] == 1


@pytest.mark.slow
def test_the_race_catches_a_check_that_is_made_before_the_open(root: Path) -> None:
    assert race(root, "checked", SECONDS)["leak"] > 0
