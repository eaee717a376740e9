"""Memory stays the same for few entries and for many."""

from __future__ import annotations

import subprocess
import sys
from typing import TYPE_CHECKING

import engine_kit as kit
import pytest

if TYPE_CHECKING:
    from pathlib import Path

FEW, MANY = 20_000, 200_000
ROOM = 60 * 1024  # KiB: the database's own cache is bounded by 16 MiB

# The kit runs with a cache, and says its own greatest resident size (ru_maxrss, getrusage(2)).
SCRIPT = (
    "import sys, pathlib, resource, engine_kit as kit\n"
    "from depotserve.tree import cache\n"
    "from depotserve.tree.inventory import Inventory\n"
    "from depotserve.tree.walk import folders\n"
    "root, state = map(pathlib.Path, sys.argv[1:])\n"
    "with cache.opened(state, root) as known:\n"
    "    inventory = Inventory(known)\n"
    "    inventory.enter(folders(root))\n"
    "    inventory.want()\n"
    "    read = sum(1 for _ in kit._read(root, inventory))\n"
    "    inventory.close()\n"
    "print(read, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss)\n"
)


@pytest.mark.slow
def test_ten_times_the_files_take_no_more_memory(tmp_path: Path) -> None:
    (tmp_path / "state").mkdir()
    sizes = []
    for count in (FEW, MANY):
        root = tmp_path / str(count)
        for number in range(count):
            folder = root / f"{number // 500}"
            if number % 500 == 0:
                folder.mkdir(parents=True)
            (folder / f"pump-station-reading-{number:09}.csv").touch()
        done = subprocess.run(
            [sys.executable, "-c", SCRIPT, str(root), str(tmp_path / "state")],
            env=kit.environment(), capture_output=True, timeout=250, check=False,
        )  # fmt: skip
        assert done.stderr == b""
        read, size = map(int, done.stdout.split())
        assert read == count
        sizes.append(size)
    assert sizes[1] < sizes[0] + ROOM, sizes
