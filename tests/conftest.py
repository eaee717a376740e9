from __future__ import annotations

import os
from typing import TYPE_CHECKING

import pytest

pytest.register_assert_rewrite("harness")

import harness  # noqa: E402  # after its assertions were asked to be rewritten

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

# 2024-01-01 00:00:00 UTC, in whole seconds as HTTP dates are.
MODIFIED = 1704067200


def pytest_sessionfinish() -> None:
    harness.forget_patterns()


@pytest.fixture
def tree(tmp_path: Path) -> Path:
    """Make a small tree of content with known bytes and times."""
    root = tmp_path / "tree"
    (root / "gateway" / "firmware").mkdir(parents=True)
    (root / "f26.bin").write_bytes(b"abcdefghijklmnopqrstuvwxyz")
    (root / "empty.bin").write_bytes(b"")
    (root / "x").write_bytes(b"x")
    (root / "gateway" / "firmware" / "release.tar.gz").write_bytes(bytes(range(256)) * 64)
    for path in root.rglob("*"):
        os.utime(path, (MODIFIED, MODIFIED))
    return root


@pytest.fixture
def depot(tmp_path: Path, tree: Path) -> Iterator[harness.RunningDepot]:
    """Serve `tree` over TLS with one worker."""
    with harness.running_depot(tmp_path, tree) as running:
        yield running


@pytest.fixture
def plain_depot(tmp_path: Path, tree: Path) -> Iterator[harness.RunningDepot]:
    """Serve `tree` without TLS on loopback, for tests of the bytes on the wire."""
    with harness.running_depot(tmp_path, tree, plain=True) as running:
        yield running
