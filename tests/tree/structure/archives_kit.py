"""Archives for the tests: made by the trade's own tools from one small tree, cut and damaged."""

from __future__ import annotations

import io
import os
import random
import shutil
import subprocess
from typing import TYPE_CHECKING

import pytest

from depotserve.tree.structure import Structure, examine

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path


def look(data: bytes, name: bytes = b"f") -> Structure:
    """Examine a file of that content."""
    return examine(io.BytesIO(data), len(data), name)


def look_at(path: Path) -> Structure:
    """Examine a file on disk under its own name."""
    with path.open("rb") as stream:
        return examine(stream, path.stat().st_size, os.fsencode(path.name))


def is_clean(found: Structure, kind: str) -> bool:
    """Tell whether a file was walked to its end and nothing was found."""
    return found == Structure(kind)


def cuts(data: bytes, count: int = 200) -> Iterator[int]:
    """Give places to cut a file at: all of them if it is short, its ends and many between."""
    if len(data) <= count:
        return iter(range(len(data)))
    edges = {0, 1, 3, len(data) // 2, len(data) - 2, len(data) - 1}
    chosen = random.Random(len(data)).sample(range(len(data)), count)  # noqa: S311  # repeatable
    return iter(sorted(edges | set(chosen)))


def not_found_when_cut(data: bytes, name: bytes, count: int = 200) -> list[int]:
    """Give the places at which a cut is not found."""
    return [cut for cut in cuts(data, count) if not look(data[:cut], name).wrong]


def not_found_when_flipped(data: bytes, name: bytes, count: int = 200) -> list[int]:
    """Give the places at which a changed bit is not found."""
    return [at for at in cuts(data, count) if not look(flipped(data, at), name).wrong]


def flipped(data: bytes, at: int) -> bytes:
    """Change one bit."""
    return data[:at] + bytes([data[at] ^ 1 << at % 8]) + data[at + 1 :]


def sample(folder: Path) -> Path:
    """Make a small tree of what a plant's vendor ships: text, noise, an empty file, a link."""
    root = folder / "intake"
    (root / "pumps").mkdir(parents=True)
    (root / "README").write_bytes(b"Brine concentration in the second stage\n" * 300)
    noise = random.Random(7).randbytes(9000)  # noqa: S311  # the same in each run
    (root / "pumps" / "firmware.bin").write_bytes(noise)
    (root / "empty").touch()
    (root / "latest").symlink_to("pumps")
    return root


def run(*command: str | Path, cwd: Path | None = None, feed: bytes = b"") -> bytes:
    """Run one of the trade's tools and give what it wrote; a missing one skips the test."""
    program = str(command[0])
    if shutil.which(program) is None:
        if os.environ.get("DEPOTSERVE_CI") or os.environ.get("CI"):
            pytest.fail(f"{program} is missing")
        pytest.skip(f"{program} is missing")
    # Archives then are the same in each run and each place.
    surroundings = {**os.environ, "SOURCE_DATE_EPOCH": "1704067200", "LC_ALL": "C"}
    done = subprocess.run(
        command, cwd=cwd, input=feed, env=surroundings, capture_output=True, check=False
    )
    assert done.returncode == 0, done.stderr.decode(errors="replace")
    return done.stdout
