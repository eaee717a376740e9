from __future__ import annotations

import shutil
from typing import TYPE_CHECKING

import harness
import pytest

if TYPE_CHECKING:
    from pathlib import Path


@pytest.fixture(scope="session")
def pattern(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Make one home by the command, to be copied: nothing in it names where it lies."""
    folder = tmp_path_factory.mktemp("pattern")
    (folder / "tree").mkdir()
    return harness.make_home(folder / "home", folder / "tree")


@pytest.fixture
def home(pattern: Path, tmp_path: Path, tree: Path) -> Path:
    """Give a home of its own that serves `tree`."""
    return copy_home(pattern, tmp_path / "home", tree)


def copy_home(pattern: Path, to: Path, tree: Path) -> Path:
    """Copy a home, modes and all, and let it serve `tree`."""
    shutil.copytree(pattern, to)
    harness.change_settings(to, content=[{"url": "/", "path": str(tree), "users": "any"}])
    return to
