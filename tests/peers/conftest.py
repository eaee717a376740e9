"""A tree that comes from registries, a depot that serves it, and another depot's authority.

Everything here is made once a session, and only what the chosen tests ask for.
"""

from __future__ import annotations

import fcntl
import os
import random
import re
import shutil
import subprocess
import sys
from typing import TYPE_CHECKING
from urllib.parse import quote

import harness
import peer
import pytest

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

# Two fetches and the test itself fit in the time that a test has.
FETCH_SECONDS = 110
# Pure Python and small, one of them with a dependency; PEP 503 normalises their names.
WHEELS = ("markdown-it-py", "python-dateutil")
# Small, for every architecture; the second needs the first; the third's version has an epoch.
DEBS = ("libjs-jquery", "libjs-jquery-metadata", "libjs-d3-format")
BIG_BYTES = 64 * 1024 * 1024
# Names that a client's own bookkeeping can trip over.
PLANT = {
    "read me.txt": b"Intake pumps, second line.\n",
    "gateway/release-2.4+b7~rc1.tar.gz": bytes(range(256)) * 700,
    "gateway/100%25 #2?.cfg": b"# a name that must be escaped, and only once\n",
    "gateway/empty.bin": b"",
    "controller/Entsalzung-Süd & <Nord>.img": b"\x1f\x8b not gzip, whatever it begins with\n",
    "controller/.profile": b"umask 022\n",
    "controller/archive/2023/first.img": random.Random(1).randbytes(300_000),  # noqa: S311
}


@pytest.fixture
def desk(tmp_path: Path) -> peer.Desk:
    """Give a client's machine of its own."""
    folder = tmp_path / "desk"
    folder.mkdir()
    return peer.Desk(folder)


@pytest.fixture(scope="session")
def content(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Lay the plant's own files; `wheels` and `packages` lay theirs beside them."""
    root = tmp_path_factory.mktemp("content")
    for name, data in PLANT.items():
        path = root / "plant" / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(data)
    return root


@pytest.fixture(scope="session")
def served(
    tmp_path_factory: pytest.TempPathFactory, content: Path
) -> Iterator[harness.RunningDepot]:
    """Serve `content` over TLS, to signed-in users only."""
    with harness.running_depot(tmp_path_factory.mktemp("served"), content, workers=2) as depot:
        yield depot


@pytest.fixture(scope="session")
def stranger(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Give the authority of another depot, one that has signed nothing here."""
    folder = tmp_path_factory.mktemp("stranger")
    (folder / "content").mkdir()
    return harness.init_home(folder / "home", folder / "content") / "tls" / "authority.pem"


@pytest.fixture(scope="session")
def wheels(tmp_path_factory: pytest.TempPathFactory, content: Path) -> dict[str, Path]:
    """Lay wheels from the registry as PEP 503 has them, a folder a project; give them by name."""
    # "none-any" wheels only, so that what is fetched here can be installed by any interpreter.
    wanted = ["--no-cache-dir", "--only-binary", ":all:", "--platform", "any", *WHEELS]
    pip = [sys.executable, "-m", "pip", "download"]
    fetched = _fetch([*pip, "--dest", ".", *wanted], _shared(tmp_path_factory) / "wheels")
    laid = {}
    for wheel in sorted(fetched.iterdir()):
        # PEP 427: name, version and tags are parted by hyphens; PEP 503: the normalised name.
        name = re.sub(r"[-_.]+", "-", wheel.name.split("-")[0]).lower()
        folder = content / "simple" / name
        folder.mkdir(parents=True, exist_ok=True)
        laid[name] = folder / wheel.name
        shutil.copyfile(wheel, laid[name])
    assert set(WHEELS) < set(laid), laid
    return laid


@pytest.fixture(scope="session")
def debs(tmp_path_factory: pytest.TempPathFactory, content: Path) -> dict[str, Path]:
    """Lay packages from the registry as a flat repository; give them by name."""
    harness.need("apt-get")
    harness.need("apt-ftparchive")
    folder = content / "packages"
    folder.mkdir()
    # The user that apt lowers itself to must reach the folder, which pytest keeps to its owner.
    sandbox = ["-o", "APT::Sandbox::User=root"] if os.geteuid() == 0 else []
    apt_get = ["apt-get", *sandbox, "download", *DEBS]
    fetched = _fetch(apt_get, _shared(tmp_path_factory) / "debs")
    for deb in fetched.glob("*.deb"):
        # apt-get keeps an epoch's colon as %3a in the name of the file.
        shutil.copyfile(deb, folder / deb.name)
    _write_index(folder, "Packages", "packages")
    _write_index(folder, "Release", "release")
    laid = {path.name.split("_")[0]: path for path in folder.glob("*.deb")}
    assert set(laid) == set(DEBS)
    return laid


@pytest.fixture(scope="session")
def big(content: Path) -> Path:
    """Lay a host image of 64 MiB."""
    path = content / "plant-images" / "host.img"
    path.parent.mkdir()
    block = random.Random(2).randbytes(1024 * 1024)  # noqa: S311
    with path.open("wb") as file:
        for number in range(BIG_BYTES // len(block)):
            # Each block differs, so that one in another's place is seen.
            file.write(number.to_bytes(8, "big") + block[8:])
    return path


@pytest.fixture(scope="session")
def address(served: harness.RunningDepot, content: Path) -> Callable[[Path], str]:
    """Give a function from a file of `content` to its URL."""

    def url(path: Path) -> str:
        return served.url + quote(str(path.relative_to(content)))

    return url


def _shared(factory: pytest.TempPathFactory) -> Path:
    """Give the folder that this session's processes share; pytest-xdist keeps theirs beneath it."""
    own = factory.getbasetemp()
    return own.parent if "PYTEST_XDIST_WORKER" in os.environ else own


def _fetch(arguments: list[str], folder: Path) -> Path:
    """Fetch into `folder` by a registry's own client, once for all processes of the session."""
    failed = folder.with_suffix(".failed")
    with folder.with_suffix(".lock").open("w") as held:
        fcntl.flock(held, fcntl.LOCK_EX)
        if not folder.exists() and not failed.exists():
            part = folder.with_suffix(".part")
            part.mkdir()
            fault = _run(arguments, part)
            if fault:
                failed.write_text(fault)
            else:
                part.rename(folder)
    if failed.exists():
        harness.missing(failed.read_text())
    return folder


def _run(arguments: list[str], folder: Path) -> str:
    """Run a registry's client; give what went wrong, or nothing."""
    line = " ".join(arguments)
    try:
        done = subprocess.run(
            arguments, cwd=folder, capture_output=True, timeout=FETCH_SECONDS, check=False
        )
    except subprocess.TimeoutExpired:
        return f"no answer from the registry within {FETCH_SECONDS} s: {line}"
    if done.returncode:
        return f"this machine can't fetch: {line}: {done.stderr.decode(errors='replace')[-500:]}"
    return ""


def _write_index(folder: Path, name: str, command: str) -> None:
    index = subprocess.run(
        ["apt-ftparchive", command, "."], cwd=folder, capture_output=True, check=True
    ).stdout
    (folder / name).write_bytes(index)
