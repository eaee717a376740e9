"""A full folder for temporary files or for the state: one line that names it, and status 2."""

from __future__ import annotations

import contextlib
import hashlib
import os
import subprocess
import time
from typing import TYPE_CHECKING

import harness
import pytest

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from signing_kit import Person

pytestmark = pytest.mark.slow

# Two of them hold more names than a run's database keeps in memory (16 MiB).
FILES, LONG = 60_000, "pump-firmware-" * 16
SCANNER = ("--command", "true {file}", "--settings")


@pytest.fixture
def settings(tmp_path: Path) -> Path:
    """Name a version, without which a scan remembers nothing."""
    file = tmp_path / "scanner.yaml"
    file.write_text("format: 1\nversion: echo plant/1\n")
    return file


@contextlib.contextmanager
def mounted(place: Path, size: str) -> Iterator[Path]:
    if os.geteuid():
        pytest.skip("only root can mount")
    place.mkdir()
    options = ["-t", "tmpfs", "-o", f"size={size}", "none"]
    subprocess.run([harness.need("mount"), *options, str(place)], check=True, timeout=60)
    try:
        yield place
    finally:
        subprocess.run([harness.need("umount"), str(place)], check=True, timeout=60)


@pytest.fixture(scope="module")
def wide(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Make a folder of so many names that no run can keep them in memory."""
    root = tmp_path_factory.mktemp("wide") / "tree"
    root.mkdir()
    for number in range(FILES):
        (root / f"{LONG}{number:06}").touch()
    return root


def line(done: subprocess.CompletedProcess[bytes]) -> str:
    """Give the one line by which a command ended with status 2."""
    assert done.returncode == 2, done.stderr.decode()
    (only,) = done.stderr.decode().splitlines()
    return only


@pytest.mark.parametrize(
    "command",
    [["check"], ["manifest"], ["scan", *SCANNER], ["place"]],
    ids=["check", "manifest", "scan", "place"],
)
def test_a_full_folder_for_temporary_files_is_named(
    wide: Path, tmp_path: Path, settings: Path, command: list[str]
) -> None:
    fetched = tmp_path / "pump.img"
    fetched.write_bytes(b"x")
    name, *options = command
    more = [fetched] if name == "place" else ["--state", tmp_path / "state"]
    more += [*options, settings] if options else []
    with mounted(tmp_path / "small", "256k") as small:
        done = harness.run("tree", name, wide, *more, env={"TMPDIR": str(small)})
        assert line(done) == (
            f"depotserve: {small}: the temporary files of this run do not go into this folder: "
            "database or disk is full; make room there, or name another folder by TMPDIR"
        )
        assert os.listdir(small) == []


@pytest.mark.parametrize(
    "command",
    [["check"], ["manifest"], ["scan", *SCANNER]],
    ids=["check", "manifest", "scan"],
)
def test_a_full_folder_for_the_state_is_named(
    tmp_path: Path, settings: Path, command: list[str]
) -> None:
    tree = tmp_path / "tree"
    tree.mkdir()
    for number in range(2000):
        (tree / f"{number}").write_bytes(b"%d" % number)
    time.sleep(2.2)  # so that they are old enough to be remembered
    name, *options = command
    with mounted(tmp_path / "state", "64k") as state:
        more = [*options, settings] if options else []
        done = harness.run("tree", name, tree, "--state", state, *more)
        assert line(done).startswith(f"depotserve: {state}/")
        assert "database or disk is full" in line(done)


def test_a_record_of_scans_that_no_longer_fits_is_named(tmp_path: Path, settings: Path) -> None:
    tree = tmp_path / "tree"
    tree.mkdir()
    (tree / "pump.img").write_bytes(b"x")
    with mounted(tmp_path / "state", "64k") as state:
        filled = state / "other"
        with contextlib.suppress(OSError), filled.open("wb", buffering=0) as stream:
            while stream.write(bytes(4096)):
                pass
        done = harness.run("tree", "scan", tree, "--state", state, *SCANNER, settings, "--fresh")
        assert f"depotserve: {state}/verdicts.db: " in line(done)
        assert "full" in line(done)


def test_no_signature_is_called_bad_where_a_full_folder_is_to_blame(
    tmp_path: Path, vendor: Person
) -> None:
    tree, keys = tmp_path / "tree", tmp_path / "keys"
    tree.mkdir()
    keys.mkdir()
    (keys / "vendor.asc").write_bytes(vendor.public())
    content = f"{hashlib.sha256(b'x').hexdigest()}  pump.img\n".encode()
    (tree / "pump.img").write_bytes(b"x")
    (tree / "SHA256SUMS").write_bytes(content)
    (tree / "SHA256SUMS.sig").write_bytes(vendor.sign(content))
    command = ("tree", "check", tree, "--keys", keys, "--state", tmp_path / "state")
    with mounted(tmp_path / "small", "64k") as small:
        for room in range(0, 64 * 1024, 16 * 1024):
            (small / "other").write_bytes(bytes(64 * 1024 - room))
            done = harness.run(*command, env={"TMPDIR": str(small)})
            said = line(done)
            assert said.startswith(f"depotserve: {small}: the temporary files of this run do not")
            assert "No space left on device" in said
    assert harness.run(*command).returncode == 0
