from __future__ import annotations

import os
import shutil
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING

import harness
import pytest
from inspection_kit import SERVICE

if TYPE_CHECKING:
    from collections.abc import Iterator


@pytest.fixture
def home(tmp_path: Path, tree: Path) -> Path:
    """Give a home of this process's user that serves `tree`."""
    return harness.make_home(tmp_path / "home", tree)


@pytest.fixture
def place() -> Iterator[Path]:
    """Give a folder that every user may enter, unlike pytest's own."""
    with tempfile.TemporaryDirectory() as folder:
        os.chmod(folder, 0o755)  # noqa: S103  # nothing of it is a secret
        yield Path(folder)


@pytest.fixture
def shared(place: Path, tree: Path) -> Path:
    """Give a home of root's that another user serves, with no right beyond what that needs."""
    Path(shutil.copytree(tree, place / "tree")).chmod(0o755)
    home = harness.make_home(place / "home", place / "tree")
    for path in (home / "state", home / "log"):
        os.chown(path, SERVICE, SERVICE)
    for name in (".", "depot.yaml", "accounts", "accounts/users", "accounts/terms.yaml"):
        _let_group_read(home / name)
    for name in ("tls", "tls/server.pem", "tls/server.key", "tls/authority.pem"):
        _let_group_read(home / name)
    return home


def _let_group_read(path: Path) -> None:
    os.chown(path, -1, SERVICE)
    path.chmod(0o750 if path.is_dir() else 0o640)
