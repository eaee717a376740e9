from __future__ import annotations

import shutil
from typing import TYPE_CHECKING

import harness
import pytest
from issuing import HOSTS, Organisation, organise

if TYPE_CHECKING:
    from pathlib import Path


@pytest.fixture(scope="session")
def organisation() -> Organisation:
    """Give an organisation's authority, made once."""
    return organise()


@pytest.fixture(scope="session")
def pattern_home(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Make one home by the command, to be copied: nothing of its keys names where it lies."""
    folder = tmp_path_factory.mktemp("pattern")
    (folder / "tree").mkdir()
    hosts = ("localhost", "127.0.0.1", *HOSTS)
    return harness.make_home(folder / "home", folder / "tree", hosts=hosts)


@pytest.fixture
def home(pattern_home: Path, tmp_path: Path, tree: Path) -> Path:
    """Give a home of its own, for HOSTS and loopback names, that serves `tree`."""
    shutil.copytree(pattern_home, tmp_path / "home")
    content = [{"url": "/", "path": str(tree), "users": "any"}]
    listeners = [{"address": "127.0.0.1", "port": 0, "tls": "modern"}]
    harness.change_settings(tmp_path / "home", content=content, listeners=listeners)
    return tmp_path / "home"
