from __future__ import annotations

from typing import TYPE_CHECKING

import harness
import pytest

if TYPE_CHECKING:
    from pathlib import Path


@pytest.fixture
def home(tmp_path: Path, tree: Path) -> Path:
    """Give a home of its own that serves `tree`."""
    return harness.make_home(tmp_path / "home", tree)
