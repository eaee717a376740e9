"""What is remembered of a tree's folders counts for as long as nothing in them has changed."""

from __future__ import annotations

import hashlib
import os
import sys
import time
from pathlib import Path

import harness
import pytest

sys.path.append(str(Path(__file__).parents[1] / "acceptance"))

from check_kit import check

SETTLED = 2.2  # seconds after which a change is told by a file's times


def sums(root: Path, *names: str) -> bytes:
    return b"".join(
        f"{hashlib.sha256((root / name).read_bytes()).hexdigest()}  {name}\n".encode()
        for name in names
    )


@pytest.fixture
def tree(tmp_path: Path) -> Path:
    """Make a tree whose files may be remembered, checked once."""
    root = tmp_path / "plant"
    for name in ("pumps/one.bin", "pumps/two.bin", "valves/one.bin"):
        (root / name).parent.mkdir(parents=True, exist_ok=True)
        (root / name).write_bytes(name.encode())
    (root / "SHA256SUMS").write_bytes(
        sums(root, "pumps/one.bin", "pumps/two.bin", "valves/one.bin")
    )
    time.sleep(SETTLED)
    assert check(root, tmp_path / "state").status == 0
    return root


def test_one_changed_file_is_found_among_remembered_ones(tree: Path, tmp_path: Path) -> None:
    file = tree / "pumps/two.bin"
    content, times = file.read_bytes(), (file.stat().st_atime_ns, file.stat().st_mtime_ns)
    file.write_bytes(content[::-1])
    os.utime(file, ns=times)  # its size and modification time are as they were
    found = check(tree, tmp_path / "state")
    assert found.faults == {("digest differs", "pumps/two.bin")}
    assert found.marks()["pumps/two.bin"] == "unknown"
    assert found.marks()["pumps/one.bin"] == "self-consistent only"


def test_files_that_swapped_names_are_found(tree: Path, tmp_path: Path) -> None:
    os.rename(tree / "pumps/one.bin", tree / "x")
    os.rename(tree / "pumps/two.bin", tree / "pumps/one.bin")
    os.rename(tree / "x", tree / "pumps/two.bin")
    found = check(tree, tmp_path / "state")
    assert found.faults == {
        ("digest differs", "pumps/one.bin"),
        ("digest differs", "pumps/two.bin"),
    }


def test_a_missing_and_an_unlisted_file_are_found(tree: Path, tmp_path: Path) -> None:
    os.unlink(tree / "valves/one.bin")
    (tree / "pumps/three.bin").write_bytes(b"new")
    found = check(tree, tmp_path / "state")
    assert found.faults == {("missing", "valves/one.bin")}
    assert set(found.details("in no list")) == {"pumps/three.bin"}


def test_a_second_list_that_disagrees_is_found(tree: Path, tmp_path: Path) -> None:
    (tree / "other.sha256").write_bytes(b"0" * 64 + b"  pumps/one.bin\n")
    found = check(tree, tmp_path / "state")
    assert ("listed with different digests", "pumps/one.bin") in found.faults


@pytest.mark.slow
def test_another_digest_is_read_once_and_then_remembered(tree: Path, tmp_path: Path) -> None:
    content = (tree / "pumps/one.bin").read_bytes()
    (tree / "SHA512SUMS").write_text(f"{hashlib.sha512(content).hexdigest()}  pumps/one.bin\n")
    time.sleep(SETTLED)
    for _ in range(3):
        found = check(tree, tmp_path / "state")
        assert found.status == 0
        (one,) = [row for row in found.document["entries"] if row["path"] == "pumps/one.bin"]
        assert (one["weakest"], one["strongest"]) == ("sha256", "sha512")


def test_two_names_of_one_file_are_both_remembered(tmp_path: Path) -> None:
    root = tmp_path / "plant"
    root.mkdir()
    (root / "a.bin").write_bytes(b"dosing")
    os.link(root / "a.bin", root / "b.bin")
    (root / "SHA256SUMS").write_bytes(sums(root, "a.bin", "b.bin"))
    time.sleep(SETTLED)
    for _ in range(3):
        found = check(root, tmp_path / "state")
        assert found.status == 0
        assert found.marks()["b.bin"] == "self-consistent only"


def test_a_listed_path_that_is_absolute_is_refused_after_good_ones(tmp_path: Path) -> None:
    root = tmp_path / "plant"
    root.mkdir()
    (root / "a.bin").write_bytes(b"dosing")
    digest = hashlib.sha256(b"dosing").hexdigest()
    names = ("a.bin", "/a.bin", "..", "../a.bin", "a.bin/", "x/../a.bin", "x/../../a.bin")
    (root / "SHA256SUMS").write_text("".join(f"{digest}  {name}\n" for name in names))
    found = check(root, tmp_path / "state")
    lines = [one["line"] for one in found.document["findings"] if one["fault"]]
    assert lines == [2, 3, 4, 5, 7]


def test_a_manifest_is_in_the_order_of_whole_paths(tmp_path: Path) -> None:
    root = tmp_path / "plant"
    names = ["a", "a-b", "a.d/x", "a/..b", "b/c/d", "b-c", "b/c-d", "b0"]
    names.remove("a")
    for name in names:
        (root / name).parent.mkdir(parents=True, exist_ok=True)
        (root / name).write_bytes(b"")
    for _ in range(2):
        done = harness.run("tree", "manifest", root, "--state", tmp_path / "state")
        assert done.returncode == 0
        listed = [line[66:].decode() for line in done.stdout.splitlines()]
        assert listed == sorted(names, key=str.encode)


def test_why_nothing_is_remembered_is_said(tree: Path, tmp_path: Path) -> None:
    command = ("--state", tmp_path / "state")
    assert check(tree, tmp_path / "state").document["not_remembered"] == []
    assert b"nothing is remembered" not in harness.run("tree", "manifest", tree, *command).stderr
    # The kernel's word on what is mounted, hidden: nothing can be believed then.
    hidden = 'mount -t tmpfs none /proc && exec "$@"'
    through = [harness.need("unshare"), "--mount", "sh", "-c", hidden, "sh"]
    if os.geteuid():
        pytest.skip("only root can mount")
    said = f"nothing is remembered of the files on {tree}"
    done = harness.run("tree", "manifest", tree, *command, through=through)
    assert done.returncode == 0
    assert done.stderr.decode().splitlines()[0].startswith(f"depotserve: {said}")
    assert done.stderr.count(b"\n") == 2
    done = harness.run("tree", "check", tree, *command, through=through)
    assert done.returncode == 0
    assert done.stdout.decode().count(said) == 1
    done = harness.run("tree", "check", tree, *command, "--fresh", through=through)
    assert b"nothing is remembered" not in done.stdout
