"""People who sign: fixtures that a conftest takes in."""

from __future__ import annotations

import shutil
import subprocess
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
import signing_kit

if TYPE_CHECKING:
    from collections.abc import Iterator

    from signing_kit import Person


@pytest.fixture(scope="session")
def gnupg_home() -> Iterator[Path]:
    # Short, since the agent's socket in it has a path of at most 107 bytes (unix(7)).
    home = Path(tempfile.mkdtemp(prefix="g"))
    yield home
    if shutil.which("gpgconf"):
        words = ["gpgconf", "--homedir", str(home), "--kill", "all"]
        subprocess.run(words, check=False, timeout=60)
    shutil.rmtree(home, ignore_errors=True)


@pytest.fixture(scope="session")
def vendor(gnupg_home: Path) -> Person:
    return signing_kit.person(gnupg_home, "vendor")


@pytest.fixture(scope="session")
def builder(gnupg_home: Path) -> Person:
    return signing_kit.person(gnupg_home, "builder", kind="rsa2048")


@pytest.fixture(scope="session")
def stranger(gnupg_home: Path) -> Person:
    return signing_kit.person(gnupg_home, "stranger")


@pytest.fixture(scope="session")
def expired(gnupg_home: Path) -> Person:
    return signing_kit.person(gnupg_home, "expired", expire="1y", at=signing_kit.THEN)


@pytest.fixture(scope="session")
def revoked(gnupg_home: Path) -> Person:
    somebody = signing_kit.person(gnupg_home, "revoked")
    somebody.sign(b"before")
    return somebody
