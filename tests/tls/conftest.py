from __future__ import annotations

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


@pytest.fixture
def home(tmp_path: Path, tree: Path) -> Path:
    """Give a home of its own, for HOSTS and loopback names, that serves `tree`."""
    hosts = ("localhost", "127.0.0.1", *HOSTS)
    made = harness.make_home(tmp_path / "home", tree, hosts=hosts)
    listeners = [{"address": "127.0.0.1", "port": 0, "tls": "modern"}]
    harness.change_settings(made, listeners=listeners)
    return made
