"""`depotserve tree manifest`, and case D14: links, special files, litter, what cannot be read."""

from __future__ import annotations

import hashlib
import os
import socket
import subprocess
from typing import TYPE_CHECKING

import harness
import pytest

from depotserve.config import DEFAULT_NEVER_SERVE, LITTER
from depotserve.tree.litter import is_litter, within_litter

if TYPE_CHECKING:
    from pathlib import Path


@pytest.fixture
def state(tmp_path: Path) -> Path:
    return tmp_path / "state"


def line(content: bytes, path: str) -> bytes:
    return f"{hashlib.sha256(content).hexdigest()}  {path}\n".encode()


def manifest(
    tree: Path, state: Path, *more: str | Path, through: list[str] | None = None
) -> subprocess.CompletedProcess[bytes]:
    return harness.run("tree", "manifest", tree, "--state", state, *more, through=through or [])


def said(done: subprocess.CompletedProcess[bytes]) -> list[str]:
    """Give what standard error says, each line without the program's name."""
    lines = done.stderr.decode().splitlines()
    assert all(one.startswith("depotserve: ") for one in lines)
    return [one.removeprefix("depotserve: ") for one in lines]


def test_a_manifest_has_every_file_sorted_by_path(tmp_path: Path, state: Path) -> None:
    tree = tmp_path / "tree"
    # "-" sorts before "/", which sorts before "0".
    names = ["a-b", "a/x", "a0", "B", "a/y/z"]
    for name in names:
        (tree / name).parent.mkdir(parents=True, exist_ok=True)
        (tree / name).write_text(name)
    done = manifest(tree, state)
    assert done.returncode == 0
    assert done.stdout == b"".join(line(name.encode(), name) for name in sorted(names))
    assert said(done) == ["5 files"]


def test_a_manifest_written_twice_is_the_same_byte_by_byte(tree: Path, state: Path) -> None:
    assert manifest(tree, state).stdout == manifest(tree, state, "--fresh").stdout
    assert manifest(tree, state).stdout.endswith(line(b"x", "x"))


def test_a_manifest_is_written_whole_beside_other_files(
    tmp_path: Path, tree: Path, state: Path
) -> None:
    out = tmp_path / "out" / "SHA256SUMS"
    out.parent.mkdir()
    out.write_bytes(b"old")
    done = manifest(tree, state, "--out", out)
    assert (done.returncode, done.stdout) == (0, b"")
    assert out.read_bytes() == manifest(tree, state).stdout
    assert os.listdir(out.parent) == ["SHA256SUMS"]


# D16: each final name is flushed before its rename, and the folder after it.
def test_a_manifest_is_synced_before_it_takes_its_name(
    tmp_path: Path, tree: Path, state: Path
) -> None:
    strace, log = harness.need("strace"), tmp_path / "calls"
    calls = "trace=fsync,fdatasync,rename,renameat,renameat2"
    through = [strace, "-f", "-o", str(log), "-e", calls]
    done = manifest(tree, state, "--fresh", "--out", tmp_path / "SHA256SUMS", through=through)
    assert done.returncode == 0
    kinds = [text.split("(")[0].split()[-1] for text in log.read_text().splitlines() if "(" in text]
    assert kinds == ["fsync", "rename", "fsync"]


@pytest.mark.parametrize("name", ["SHA256SUMS", "gateway/SHA256SUMS"])
def test_a_manifest_within_the_tree_is_refused(tree: Path, state: Path, name: str) -> None:
    before = sorted(tree.rglob("*"))
    done = manifest(tree, state, "--out", tree / name)
    assert done.returncode == 2
    (why,) = said(done)
    assert "lies in the tree, which is never written to" in why
    assert sorted(tree.rglob("*")) == before


def test_a_manifest_within_the_tree_by_a_link_is_refused(
    tmp_path: Path, tree: Path, state: Path
) -> None:
    (tmp_path / "other").symlink_to(tree)
    assert manifest(tree, state, "--out", tmp_path / "other" / "SUMS").returncode == 2
    assert not (tree / "SUMS").exists()


def test_a_state_folder_within_the_tree_is_refused(tree: Path) -> None:
    done = manifest(tree, tree / "state")
    assert (done.returncode, done.stdout) == (2, b"")
    assert not (tree / "state").exists()


def test_what_is_no_file_is_not_written_over(tmp_path: Path, tree: Path, state: Path) -> None:
    for target in (tmp_path, tmp_path / "pipe", tmp_path / "link"):
        if target.name == "pipe":
            os.mkfifo(target)
        if target.name == "link":
            target.symlink_to("nowhere")
        done = manifest(tree, state, "--out", target)
        assert done.returncode == 2
        assert "is there and no regular file" in said(done)[0]


def test_a_folder_that_cannot_be_written_is_named(tree: Path, tmp_path: Path, state: Path) -> None:
    done = manifest(tree, state, "--out", tmp_path / "missing" / "SUMS")
    assert done.returncode == 2
    assert said(done) == [f"{tmp_path}/missing/SUMS: No such file or directory"]


def test_a_full_disk_leaves_the_old_manifest(tmp_path: Path, state: Path) -> None:
    tree, out = tmp_path / "tree", tmp_path / "SUMS"
    tree.mkdir()
    for number in range(200):
        (tree / f"{number}").touch()
    out.write_bytes(b"old")
    through = ["sh", "-c", 'trap "" XFSZ; ulimit -f 4; exec "$@"', "sh"]
    done = manifest(tree, state, "--fresh", "--out", out, through=through)
    assert done.returncode == 2
    assert said(done) == [f"{out}: File too large"]
    assert out.read_bytes() == b"old"
    assert sorted(os.listdir(tmp_path)) == ["SUMS", "state", "tree"]


@pytest.mark.parametrize("named", ["missing", "x"])
def test_a_tree_that_is_no_folder_is_misuse(tree: Path, state: Path, named: str) -> None:
    done = manifest(tree / named, state)
    assert (done.returncode, done.stdout) == (2, b"")
    assert len(said(done)) == 1


def test_a_tree_without_a_file_is_not_fine(tmp_path: Path, state: Path) -> None:
    (tmp_path / "tree" / "empty").mkdir(parents=True)
    done = manifest(tmp_path / "tree", state)
    assert (done.returncode, done.stdout) == (1, b"")
    assert said(done) == ["empty: empty folder, which no manifest can hold", "0 files"]


# D16: a checksum list that holds its own half-written self never verifies.
def test_a_manifest_that_a_shell_writes_into_the_tree_does_not_list_itself(
    tree: Path, state: Path
) -> None:
    expected = manifest(tree, state).stdout
    command = harness.command("tree", "manifest", tree, "--state", state)
    with (tree / "SHA256SUMS").open("wb") as out:
        done = subprocess.run(
            command,
            stdout=out,
            stderr=subprocess.PIPE,
            env=harness.environment(),
            check=False,
            timeout=60,
        )
    assert done.returncode == 0
    assert (tree / "SHA256SUMS").read_bytes() == expected
    assert "SHA256SUMS: what standard output goes to, left out" in done.stderr.decode()


# D14.


@pytest.fixture
def odd(tmp_path: Path) -> Path:
    root = tmp_path / "odd"
    (root / "loop").mkdir(parents=True)
    (root / "f26.bin").write_bytes(b"abcdefghijklmnopqrstuvwxyz")
    for name, target in {
        "dang": "nowhere",
        "loop/up": "..",
        "loop/self": "self",
        "in": "f26.bin",
        "out": "/etc/hostname",
    }.items():
        (root / name).symlink_to(target)
    os.mkfifo(root / "pipe")
    with socket.socket(socket.AF_UNIX) as one:
        one.bind(str(root / "socket"))
    (root / "emptydir").mkdir()
    (root / "secret").write_bytes(b"s")
    (root / "secret").chmod(0)
    for name in ("@eaDir", "lost+found", "System Volume Information", "loop/@EADIR"):
        (root / name).mkdir()
        (root / name / "x").write_bytes(b"litter")
    for name in (".DS_Store", "THUMBS.DB", "loop/._x"):
        (root / name).write_bytes(b"litter")
    return root


def test_nothing_is_passed_over_without_a_word(odd: Path, state: Path) -> None:
    done = manifest(odd, state, through=harness.bound_by_modes())
    assert done.returncode == 1
    assert done.stdout == line(b"abcdefghijklmnopqrstuvwxyz", "f26.bin")
    assert set(said(done)) == {
        "dang: link that leads to nothing",
        "loop/self: link that leads to nothing",
        "loop/up: link within the tree, left out",
        "in: link within the tree, left out",
        "out: link that leads out of the tree, left out",
        "pipe: neither file, folder nor link",
        "socket: neither file, folder nor link",
        "emptydir: empty folder, which no manifest can hold",
        "secret: Permission denied",
        "@eaDir: system litter, left out",
        "loop/@EADIR: system litter, left out",
        "lost+found: system litter, left out",
        "System Volume Information: system litter, left out",
        ".DS_Store: system litter, left out",
        "THUMBS.DB: system litter, left out",
        "loop/._x: system litter, left out",
        "1 file; the manifest is not complete: 6 of the lines above say why",
    }
    assert len(said(done)) == 17


def test_litter_and_links_within_the_tree_leave_the_manifest_complete(
    tmp_path: Path, state: Path
) -> None:
    tree = tmp_path / "tree"
    (tree / "empty").mkdir(parents=True)
    (tree / "x").write_bytes(b"x")
    (tree / "in").symlink_to("x")
    (tree / ".DS_Store").write_bytes(b"litter")
    done = manifest(tree, state)
    assert (done.returncode, done.stdout) == (0, line(b"x", "x"))


# At the top of an ext4 file system, and listable for root alone.
def test_a_folder_of_litter_that_cannot_be_listed_is_named_and_no_fault(
    tmp_path: Path, state: Path
) -> None:
    tree = tmp_path / "tree"
    (tree / "lost+found").mkdir(parents=True)
    (tree / "x").write_bytes(b"x")
    (tree / "SHA256SUMS").write_bytes(line(b"x", "x"))
    (tree / "lost+found").chmod(0)
    done = manifest(tree, state, through=harness.bound_by_modes())
    assert done.returncode == 0
    assert "lost+found: system litter, left out" in said(done)
    checked = harness.run("tree", "check", tree, "--state", state, through=harness.bound_by_modes())
    assert checked.returncode == 0
    assert b"system litter: 1\n  lost+found  Permission denied\n" in checked.stdout


def test_a_folder_that_cannot_be_listed_makes_the_manifest_incomplete(
    tree: Path, state: Path
) -> None:
    (tree / "gateway").chmod(0)
    try:
        done = manifest(tree, state, through=harness.bound_by_modes())
    finally:
        (tree / "gateway").chmod(0o755)
    assert done.returncode == 1
    assert "gateway: Permission denied" in said(done)


def test_a_name_does_not_break_the_lines_of_standard_error(tmp_path: Path, state: Path) -> None:
    tree = tmp_path / "tree"
    tree.mkdir()
    (tree / "x").write_bytes(b"x")
    os.symlink(b"nowhere", os.fsencode(tree) + b"/a\nb\x1b[2J\xff")
    done = manifest(tree, state)
    assert said(done)[0] == "a\\nb\\x1b[2J\\udcff: link that leads to nothing"


def test_a_reader_that_goes_away_ends_the_command_with_no_traceback(
    tmp_path: Path, state: Path
) -> None:
    tree = tmp_path / "tree"
    tree.mkdir()
    for number in range(3000):
        (tree / f"{number}").touch()
    command = harness.command("tree", "manifest", tree, "--state", state)
    with subprocess.Popen(
        command,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        env=harness.environment(),
    ) as process:
        assert process.stdout is not None
        assert process.stderr is not None
        process.stdout.read(10)
        process.stdout.close()
        errors = process.stderr.read()
        assert process.wait(timeout=60) != 0
    assert errors == b""


# The table of litter.


@pytest.mark.parametrize(
    "name",
    [
        *(
            ".DS_Store",
            "._x",
            "Thumbs.db",
            "thumbs.DB",
            "ehthumbs.db",
            "desktop.ini",
            "DESKTOP.INI",
        ),
        *("$RECYCLE.BIN", "System Volume Information", "lost+found", "@eaDir", "#recycle"),
        *(".Trash-1000", ".Spotlight-V100", ".fseventsd", ".TemporaryItems", ".AppleDouble"),
        *("__MACOSX", ".nfs0001"),
    ],
)
def test_litter_is_known_by_its_name_in_any_case(name: str) -> None:
    assert is_litter(name.encode())


@pytest.mark.parametrize(
    "name", ["DS_Store", "x._y", "Thumbs.db.txt", "desktop", ".git", ".snapshot", "x\n", "lost"]
)
def test_other_names_are_no_litter(name: str) -> None:
    assert not is_litter(name.encode())


def test_litter_is_found_in_any_part_of_a_path() -> None:
    assert within_litter(b"a/@eaDir/b/.DS_Store") == b"a/@eaDir"
    assert within_litter(b"a/b/.DS_Store") == b"a/b/.DS_Store"
    assert within_litter(b"._x\xff") == b"._x\xff"
    assert within_litter(b"a/b") is None


def test_what_is_litter_is_never_served() -> None:
    assert set(LITTER) < set(DEFAULT_NEVER_SERVE)
