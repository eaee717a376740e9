"""`depotserve tree place` where something is in the way: it stays, and is named."""

from __future__ import annotations

import contextlib
import os
import resource
import signal
import socket
import subprocess
import sys
import threading
import time
from typing import TYPE_CHECKING

import harness
import pytest
from placing_kit import PUMP, VALVE, ended, faults, fill, metalink, names, place, sums

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

LARGE = 64 * 1024 * 1024


@pytest.fixture
def root(tmp_path: Path) -> Path:
    """Make a tree whose list names two files, of which one is there."""
    listed = {"intake/pump.bin": PUMP, "valve.tab": VALVE}
    return fill(tmp_path / "tree", {"SHA256SUMS": sums(listed), "valve.tab": VALVE})


@pytest.fixture
def pump(tmp_path: Path) -> Path:
    """Make the file that was fetched."""
    return fill(tmp_path / "fetched", {"pump.bin": PUMP}) / "pump.bin"


# In its place.


def test_a_folder_in_its_place_stays(root: Path, pump: Path) -> None:
    fill(root, {"intake/pump.bin/inner": b"x"})
    found = place(root, pump)
    assert found.status == 1
    assert found.lines == [
        f"{pump}: cannot be put in its place (a folder lies there): intake/pump.bin"
    ]
    assert (root / "intake" / "pump.bin" / "inner").read_bytes() == b"x"


@pytest.mark.parametrize("target", ["nowhere", "../../fetched/other", "/etc/hostname"])
def test_a_link_in_its_place_stays(root: Path, pump: Path, target: str) -> None:
    (pump.parent / "other").write_bytes(b"other")
    (root / "intake").mkdir()
    (root / "intake" / "pump.bin").symlink_to(target)
    found = place(root, pump)
    assert (found.status, "(a link lies there): intake/pump.bin" in found.lines[0]) == (1, True)
    assert os.readlink(root / "intake" / "pump.bin") == target
    assert (pump.parent / "other").read_bytes() == b"other"


def test_a_link_within_the_tree_is_filled_behind_it(root: Path, pump: Path) -> None:
    fill(root, {"intake/real.bin": b"wrong"})
    (root / "intake" / "pump.bin").symlink_to("real.bin")
    assert place(root, pump).status == 0
    assert (root / "intake" / "real.bin").read_bytes() == PUMP
    assert os.readlink(root / "intake" / "pump.bin") == "real.bin"


def test_a_fifo_in_its_place_is_not_opened(root: Path, pump: Path) -> None:
    (root / "intake").mkdir()
    os.mkfifo(root / "intake" / "pump.bin")
    found = place(root, pump)
    assert found.status == 1
    assert "(what is neither file, folder nor link lies there)" in found.lines[0]


# On the way to it.


def test_missing_folders_are_made_like_the_one_above(tmp_path: Path, pump: Path) -> None:
    root = fill(tmp_path / "tree", {"SHA256SUMS": sums({"a/b/c/pump.bin": PUMP})})
    root.chmod(0o2750)
    assert place(root, pump).status == 0
    modes = {str(one.relative_to(root)): one.stat().st_mode & 0o7777 for one in root.rglob("*")}
    assert {name: modes[name] for name in ("a", "a/b", "a/b/c")} == {
        "a": 0o2750,
        "a/b": 0o2750,
        "a/b/c": 0o2750,
    }
    assert modes["a/b/c/pump.bin"] == 0o640


def test_a_folder_that_is_a_link_out_of_the_tree_is_not_followed(
    root: Path, pump: Path, tmp_path: Path
) -> None:
    (tmp_path / "outside").mkdir()
    (root / "intake").symlink_to(tmp_path / "outside")
    found = place(root, pump)
    assert found.status == 1
    assert "(a link on its way leads out of the tree): intake/pump.bin" in found.lines[0]
    assert names(tmp_path / "outside") == set()


def test_a_folder_that_is_a_link_within_the_tree_is_followed(root: Path, pump: Path) -> None:
    (root / "stage-2").mkdir()
    (root / "intake").symlink_to("stage-2")
    assert place(root, pump).status == 0
    assert (root / "stage-2" / "pump.bin").read_bytes() == PUMP


def test_a_file_in_the_place_of_its_folder_is_named(root: Path, pump: Path) -> None:
    (root / "intake").write_bytes(b"x")
    found = place(root, pump)
    assert (found.status, "(no folder is at intake)" in found.lines[0]) == (1, True)
    assert (root / "intake").read_bytes() == b"x"


@pytest.mark.parametrize("name", ["../pump.bin", "/srv/pump.bin", "a/../../pump.bin"])
def test_a_list_that_names_a_path_outside_leads_nowhere(
    tmp_path: Path, pump: Path, name: str
) -> None:
    root = fill(tmp_path / "outer" / "tree", {"SHA256SUMS": sums({name: PUMP})})
    assert place(root, pump).status == 1
    assert names(tmp_path / "outer") == {"tree", "tree/SHA256SUMS"}


def test_a_tree_that_may_not_be_written_is_named(root: Path, pump: Path) -> None:
    root.chmod(0o555)
    found = place(root, pump, through=harness.bound_by_modes())
    root.chmod(0o755)
    assert found.status == 2
    assert found.errors == [
        f"depotserve: {pump}: could not be put in its place (Permission denied): intake/pump.bin"
    ]
    assert names(root) == {"SHA256SUMS", "valve.tab"}


def test_a_file_that_may_not_be_read_is_named(root: Path, pump: Path) -> None:
    pump.chmod(0)
    found = place(root, pump, through=harness.bound_by_modes())
    assert found.errors == [f"depotserve: {pump}: cannot be read (Permission denied)"]


# Owners and modes.


def test_a_file_gets_the_mode_of_its_folder_and_its_own_time(root: Path, pump: Path) -> None:
    os.utime(pump, ns=(1, 1_700_000_000_123_456_789))
    pump.chmod(0o600)
    fill(root, {"intake/pump.bin": b"wrong"})
    for folder, file in ((0o755, 0o644), (0o700, 0o600), (0o777, 0o664), (0o770, 0o660)):
        (root / "intake").chmod(folder)
        (root / "intake" / "pump.bin").unlink()
        assert place(root, pump).status == 0
        found = (root / "intake" / "pump.bin").stat()
        assert oct(found.st_mode & 0o7777) == oct(file)
        assert found.st_mtime_ns == 1_700_000_000_123_456_789


def test_what_an_administrator_places_belongs_to_the_owner_of_its_folder(
    root: Path, pump: Path
) -> None:
    if os.geteuid() != 0:
        pytest.skip("only root can give files away")
    os.chown(root, 4321, 1234)
    assert place(root, pump).status == 0
    for one in (root / "intake", root / "intake" / "pump.bin"):
        assert (one.stat().st_uid, one.stat().st_gid) == (4321, 1234)


# Names.


@pytest.mark.parametrize("name", [b"pump\n.bin", b"pump\xe9.bin", b"\x1b[2Jpump", b"-pump", b" p "])
def test_names_of_any_bytes_are_placed_and_printed_on_one_line(tmp_path: Path, name: bytes) -> None:
    root = fill(tmp_path / "tree", {})
    with open(os.fsencode(tmp_path) + b"/" + name, "wb") as file:
        file.write(PUMP)
    listed = subprocess.run(
        ["sha256sum", "--", name], cwd=tmp_path, capture_output=True, check=True
    ).stdout
    (root / "SHA256SUMS").write_bytes(listed)
    found = place(root, os.fsencode(tmp_path) + b"/" + name)
    assert (found.status, len(found.lines)) == (0, 1)
    assert "\x1b" not in found.lines[0]
    with open(os.fsencode(root) + b"/" + name, "rb") as file:
        assert file.read() == PUMP


def test_a_name_of_255_bytes_is_placed(tmp_path: Path) -> None:
    name = "n" * 255
    root = fill(tmp_path / "tree", {"SHA256SUMS": sums({name: PUMP})})
    fetched = fill(tmp_path / "fetched", {"x": PUMP})
    assert place(root, fetched / "x").status == 0
    assert (root / name).read_bytes() == PUMP


# The file that was fetched.


def test_what_is_no_file_is_refused_without_waiting_for_it(root: Path, tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "fifo")
    with socket.socket(socket.AF_UNIX) as listener:
        listener.bind(str(tmp_path / "socket"))
        (tmp_path / "loop").symlink_to("loop")
        given = [tmp_path / name for name in ("fifo", "socket", "loop")]
        found = place(root, *given, tmp_path, "/dev/zero", timeout=30)
    assert (found.status, found.lines, len(found.errors)) == (2, [], 5)
    assert all(": cannot be read (" in line for line in found.errors)


def test_a_file_that_grows_while_it_is_read_is_refused(tmp_path: Path) -> None:
    root = fill(tmp_path / "tree", {"all.meta4": metalink({"big.iso": LARGE})})
    big = tmp_path / "big.iso"
    big.write_bytes(bytes(LARGE))
    with _growing(big):
        found = place(root, big)
    assert found.status in (1, 2)  # too large when it was opened, or grown since
    assert names(root) == {"all.meta4"}


@contextlib.contextmanager
def _growing(file: Path) -> Iterator[None]:
    ending = threading.Event()

    def grow() -> None:
        with file.open("ab", buffering=0) as stream:
            while not ending.wait(0.001):
                stream.write(b"x")

    thread = threading.Thread(target=grow)
    thread.start()
    try:
        yield
    finally:
        ending.set()
        thread.join()


# A disk that is full, and an end in the middle.


@pytest.fixture
def small(tmp_path: Path) -> Iterator[Path]:
    """Mount a file system of 2 MiB."""
    folder = fill(tmp_path / "small", {})
    size = ["-t", "tmpfs", "-o", "size=2m", "tmpfs"]
    done = subprocess.run(["mount", *size, folder], capture_output=True, check=False)
    if done.returncode:
        pytest.skip("a file system can be mounted by root alone")
    yield folder
    subprocess.run(["umount", folder], check=True)


def test_a_disk_without_the_space_is_told_before_anything_is_copied(
    small: Path, tmp_path: Path
) -> None:
    listed = {"big.bin": bytes(4 << 20), "little.bin": b"little"}
    fill(small, {"SHA256SUMS": sums(listed), "big.bin": b"old"})
    fetched = fill(tmp_path / "fetched", listed)
    found = place(small, fetched / "big.bin", fetched / "little.bin")
    assert found.status == 2
    assert found.lines == [f"{fetched}/little.bin: placed: little.bin"]
    (line,) = found.errors
    assert line.startswith(
        f"depotserve: {fetched}/big.bin: could not be put in its place (4194304 bytes are needed, "
    )
    assert (small / "big.bin").read_bytes() == b"old"
    assert names(small) == {"SHA256SUMS", "big.bin", "little.bin"}


def test_a_write_that_fails_half_way_leaves_nothing(tmp_path: Path) -> None:
    content = bytes(range(256)) * 16384
    root = fill(tmp_path / "tree", {"SHA256SUMS": sums({"a/big.bin": content})})
    fetched = fill(tmp_path / "fetched", {"big.bin": content})

    def limit() -> None:
        # setrlimit(2): a write beyond it fails with EFBIG where SIGXFSZ is ignored.
        signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
        resource.setrlimit(resource.RLIMIT_FSIZE, (1 << 20, 1 << 20))

    done = subprocess.run(
        harness.command("tree", "place", root, fetched / "big.bin"),
        capture_output=True,
        check=False,
        env=harness.environment({"TMPDIR": str(tmp_path)}),
        preexec_fn=limit,  # no other thread runs in the test
        timeout=60,
    )
    found = ended(done)
    assert found.status == 2
    assert found.errors == [
        f"depotserve: {fetched}/big.bin: could not be put in its place (File too large): a/big.bin"
    ]
    assert not list(root.rglob("*big*"))


@pytest.fixture
def large(tmp_path: Path) -> Path:
    """Make a tree that lacks a large file, which lies beside it."""
    file = tmp_path / "large.iso"
    with file.open("wb") as stream:
        stream.writelines(number.to_bytes(4, "big") * (1 << 18) for number in range(64))
    done = subprocess.run(["sha256sum", "large.iso"], cwd=tmp_path, capture_output=True, check=True)
    return fill(tmp_path / "tree", {"SHA256SUMS": done.stdout})


def _copying(large: Path) -> tuple[subprocess.Popen[bytes], Path]:
    """Run until a part of the large file, not yet whole, lies beside its place; then stop."""
    for _ in range(10):
        process = subprocess.Popen(
            harness.command("tree", "place", large, large.parent / "large.iso"),
            env=harness.environment(),
            stdout=subprocess.DEVNULL,
            stderr=subprocess.PIPE,
        )
        part = _part_beside(large, process)
        if part:
            return process, part
        # It was done before it was seen.
        process.send_signal(signal.SIGCONT)
        _, errors = process.communicate(timeout=60)
        assert process.returncode == 0, errors
        (large / "large.iso").unlink()
    raise AssertionError("never seen while it copied")


def _part_beside(large: Path, process: subprocess.Popen[bytes]) -> Path | None:
    while process.poll() is None:
        for part in large.glob(".large.iso.*.part"):
            process.send_signal(signal.SIGSTOP)
            with contextlib.suppress(FileNotFoundError):
                time.sleep(0.1)  # signal(7): it is stopped when it next leaves the kernel
                return part if part.stat().st_size < LARGE else None
        time.sleep(0.0005)
    return None


def _go_on(process: subprocess.Popen[bytes], number: int = signal.SIGCONT) -> bytes:
    process.send_signal(number)
    process.send_signal(signal.SIGCONT)
    return process.communicate(timeout=60)[1]


@pytest.mark.slow
def test_a_run_that_is_killed_leaves_the_place_empty_and_a_part_that_the_check_names(
    large: Path, tmp_path: Path
) -> None:
    process, part = _copying(large)
    _go_on(process, signal.SIGKILL)
    assert not (large / "large.iso").exists()
    assert faults(large, tmp_path / "state") == {
        ("missing", "large.iso"),
        ("unfinished", part.name),
    }
    assert place(large, tmp_path / "large.iso").status == 0
    assert faults(large, tmp_path / "state") == {("unfinished", part.name)}


def test_a_run_that_is_interrupted_leaves_nothing(large: Path) -> None:
    process, _ = _copying(large)
    errors = _go_on(process, signal.SIGINT)
    assert process.returncode == 130, errors
    assert names(large) == {"SHA256SUMS"}


def test_a_large_file_is_placed_whole(large: Path, tmp_path: Path) -> None:
    assert place(large, tmp_path / "large.iso").status == 0
    subprocess.run(["cmp", large / "large.iso", tmp_path / "large.iso"], check=True)


def test_something_that_is_put_there_meanwhile_stays(large: Path) -> None:
    process, _ = _copying(large)
    (large / "large.iso").write_bytes(b"by another hand")
    _go_on(process)
    assert process.returncode == 1
    assert (large / "large.iso").read_bytes() == b"by another hand"
    assert names(large) == {"SHA256SUMS", "large.iso"}


@pytest.mark.slow
def test_a_file_that_changes_while_it_is_copied_is_not_placed(large: Path, tmp_path: Path) -> None:
    process, _ = _copying(large)
    with (tmp_path / "large.iso").open("r+b") as stream:
        stream.seek(LARGE - 1)
        stream.write(b"x")
    errors = _go_on(process)
    assert process.returncode == 2
    assert b"(the file changed meanwhile): large.iso" in errors
    assert names(large) == {"SHA256SUMS"}


def test_standard_error_may_be_closed(root: Path, pump: Path) -> None:
    close = [
        sys.executable,
        "-c",
        "import os, sys; os.close(2); os.execv(sys.argv[1], sys.argv[1:])",
    ]
    assert harness.run("tree", "place", root, pump, through=close).returncode == 0
    assert (root / "intake" / "pump.bin").read_bytes() == PUMP
