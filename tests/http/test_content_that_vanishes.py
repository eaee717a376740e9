"""A disk or share that is unmounted while the depot serves: 503 and not ready, until it is back."""

from __future__ import annotations

import contextlib
import os
import signal
import subprocess
from typing import TYPE_CHECKING

import harness
import pytest
import serving

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

TARGETS = ["/", "/d/", "/d", "/d/file", "/file", "/no-such-file", "/no/such/file"]
PRESENT = {"/": 200, "/d/": 200, "/d": 301, "/d/file": 200, "/file": 200}


def answer_to(depot: harness.RunningDepot, target: str, method: str = "GET") -> harness.Answer:
    return harness.answer(serving.ask(depot.port, harness.get(target, method=method)).data)


def mount_disk(at: Path) -> None:
    """Mount a small file system of its own; skips where that takes rights that a test lacks."""
    if os.geteuid() != 0:
        pytest.skip("only root can mount a file system here")
    mounted = subprocess.run(
        [harness.need("mount"), "-t", "tmpfs", "-o", "size=4m", "disk", str(at)],
        capture_output=True,
        check=False,
    )
    if mounted.returncode != 0:
        pytest.skip(f"no file system can be mounted here: {mounted.stderr.decode().strip()}")


def unmount(at: Path) -> None:
    # Lazily: a descriptor that is open for a moment in the depot does not keep it.
    subprocess.run([harness.need("umount"), "--lazy", str(at)], check=True)


def fill(root: Path) -> None:
    (root / "d").mkdir(parents=True, exist_ok=True)
    (root / "d" / "file").write_bytes(b"in d")
    (root / "file").write_bytes(b"in the root")


@pytest.fixture
def disk(tmp_path: Path) -> Iterator[Path]:
    """Give a folder that is a file system of its own as long as the test runs."""
    at = tmp_path / "disk"
    at.mkdir()
    mount_disk(at)
    try:
        yield at
    finally:
        while os.path.ismount(at):
            unmount(at)


def assert_gone(depot: harness.RunningDepot, targets: list[str]) -> None:
    for target in targets:
        for method in ("GET", "HEAD"):
            got = answer_to(depot, target, method)
            assert got.status == 503, (target, method)
            assert int(got.get("retry-after") or 0) > 0
    ready = answer_to(depot, "/_depot/ready")
    assert (ready.status, ready.body) == (503, b"not ready\n")
    assert answer_to(depot, "/_depot/health").status == 200


def assert_there(depot: harness.RunningDepot) -> None:
    for target, status in PRESENT.items():
        assert answer_to(depot, target).status == status, target
    assert answer_to(depot, "/no-such-file").status == 404
    assert b"file" in answer_to(depot, "/").body
    assert answer_to(depot, "/_depot/ready").status == 200


@contextlib.contextmanager
def serving_tree(folder: Path, root: Path) -> Iterator[harness.RunningDepot]:
    with serving.serving(folder, serving.mount("/", root), workers=2) as depot:
        assert_there(depot)
        yield depot
    assert "Traceback" not in depot.log()


@pytest.mark.parametrize("beneath", ["", "vendor/tree"], ids=["the root", "above the root"])
def test_an_unmounted_disk_is_told_as_such_until_it_is_back(
    tmp_path: Path, disk: Path, beneath: str
) -> None:
    root = disk / beneath if beneath else disk
    fill(root)
    with serving_tree(tmp_path, root) as depot:
        unmount(disk)
        assert_gone(depot, TARGETS)
        mount_disk(disk)
        fill(root)
        assert_there(depot)


def test_an_unmounted_folder_beneath_the_root_is_not_told_as_empty(
    tmp_path: Path, disk: Path
) -> None:
    fill(tmp_path)  # the root is the folder that holds the disk
    (disk / "release").write_bytes(b"on the disk")
    home = tmp_path.parent / f"{tmp_path.name}-home"
    home.mkdir()
    with serving_tree(home, tmp_path) as depot:
        assert answer_to(depot, "/disk/release").body == b"on the disk"
        unmount(disk)
        for target in ("/disk/", "/disk/release", "/disk/no-such-file", "/no-such-file"):
            assert answer_to(depot, target).status == 503, target
        assert answer_to(depot, "/_depot/ready").status == 503
        assert answer_to(depot, "/file").body == b"in the root"
        mount_disk(disk)
        (disk / "release").write_bytes(b"on the disk")
        assert answer_to(depot, "/disk/release").body == b"on the disk"
        assert_there(depot)


def test_a_disk_that_was_gone_at_a_reload_is_still_missed(tmp_path: Path, disk: Path) -> None:
    fill(disk)
    with serving_tree(tmp_path, disk) as depot:
        unmount(disk)
        harness.change_settings(depot.home, realm="after")
        depot.signal(signal.SIGHUP)
        serving.wait_for(lambda: 'realm="after"' in challenges(depot))
        assert_gone(depot, TARGETS)
        mount_disk(disk)
        fill(disk)
        assert_there(depot)


def challenges(depot: harness.RunningDepot) -> str:
    request = harness.get("/", signed_in=False)
    return str(harness.answer(serving.ask(depot.port, request).data).get("www-authenticate"))


def test_a_download_of_a_disk_that_is_unmounted_is_never_ended_as_if_whole(
    tmp_path: Path, disk: Path
) -> None:
    fill(disk)
    (disk / "large").write_bytes(bytes(range(256)) * 12000)
    with serving_tree(tmp_path, disk) as depot, harness.connected(depot.port) as connection:
        connection.sendall(harness.get("/large"))
        received = connection.recv(1 << 12)
        unmount(disk)
        received += harness.read_all(connection)
        got = harness.answer(received)
        # The open file outlives the unmounting; what came is the whole file or an honest cut.
        whole = len(got.body) == int(got.get("content-length") or 0) == 12000 * 256
        assert whole or len(got.body) < 12000 * 256
        assert got.body == (bytes(range(256)) * 12000)[: len(got.body)]


def test_a_root_renamed_away_is_told_as_gone_until_it_is_back(tmp_path: Path) -> None:
    root = tmp_path / "tree"
    fill(root)
    with serving_tree(tmp_path, root) as depot:
        root.rename(tmp_path / "elsewhere")
        assert_gone(depot, TARGETS)
        (tmp_path / "elsewhere").rename(root)
        assert_there(depot)


def test_one_vanished_mount_leaves_the_others_alone(tmp_path: Path) -> None:
    for name in ("one", "two"):
        fill(tmp_path / name)
    mounts = [serving.mount(f"/{name}/", tmp_path / name) for name in ("one", "two")]
    with serving.serving(tmp_path, *mounts) as depot:
        (tmp_path / "one").rename(tmp_path / "away")
        assert answer_to(depot, "/one/file").status == 503
        assert answer_to(depot, "/one/").status == 503
        assert answer_to(depot, "/two/file").status == 200
        assert answer_to(depot, "/two/none").status == 404
        assert answer_to(depot, "/").status == 200
        assert answer_to(depot, "/_depot/ready").status == 503
