from __future__ import annotations

import os
import stat
import subprocess
import sys
import threading
import time
from pathlib import Path

import harness
import pytest

from depotserve import filesystem, home
from depotserve.errors import CallerError, SurroundingsError


def _mode(path: Path) -> int:
    return stat.S_IMODE(path.stat().st_mode)


def _names(folder: Path) -> list[str]:
    return sorted(entry.name for entry in folder.iterdir())


def test_a_new_file_is_written_with_its_mode_and_nothing_else_is_left(tmp_path: Path) -> None:
    home.write_file(tmp_path / "users", b"one\n", mode=0o640)
    assert (tmp_path / "users").read_bytes() == b"one\n"
    assert _mode(tmp_path / "users") == 0o640
    assert _names(tmp_path) == ["users"]


def test_a_replaced_file_keeps_its_mode_whatever_mode_is_asked_for(tmp_path: Path) -> None:
    file = tmp_path / "users"
    file.write_bytes(b"old")
    file.chmod(0o604)
    home.write_file(file, b"new", mode=0o600)
    assert file.read_bytes() == b"new"
    assert _mode(file) == 0o604


@pytest.mark.skipif(os.geteuid() != 0, reason="only root may give files away")
def test_root_keeps_the_owner_of_a_file_and_gives_a_new_one_that_of_its_folder(
    tmp_path: Path,
) -> None:
    os.chown(tmp_path, 1234, 2345)
    file = tmp_path / "users"
    file.write_bytes(b"old")
    os.chown(file, 3456, 4567)
    home.write_file(file, b"new", mode=0o600)
    home.write_file(tmp_path / "terms", b"new", mode=0o600)
    assert (file.stat().st_uid, file.stat().st_gid) == (3456, 4567)
    fresh = (tmp_path / "terms").stat()
    assert (fresh.st_uid, fresh.st_gid) == (1234, 2345)


def test_a_symlink_stays_and_its_target_is_replaced(tmp_path: Path) -> None:
    (tmp_path / "real").mkdir()
    target, link = tmp_path / "real" / "users", tmp_path / "users"
    target.write_bytes(b"old")
    link.symlink_to(target)
    home.write_file(link, b"new", mode=0o600)
    assert link.is_symlink()
    assert target.read_bytes() == b"new"


def test_a_secret_is_0600_from_its_first_moment_whatever_the_umask(tmp_path: Path) -> None:
    strace = harness.need("strace")
    program = (
        "import os, sys; os.umask(0); from pathlib import Path; from depotserve import home;"
        "home.write_file(Path(sys.argv[1]) / 'server.key', b'k', mode=0o600)"
    )
    traced = subprocess.run(
        [strace, "-e", "trace=openat", sys.executable, "-c", program, str(tmp_path)],
        env=harness.environment(),
        capture_output=True,
        check=True,
        timeout=60,
    ).stderr.decode()
    made = [line for line in traced.splitlines() if "server.key" in line and "O_CREAT" in line]
    assert len(made) == 1
    assert "O_EXCL" in made[0]
    assert "0600" in made[0]


def test_the_bytes_and_the_folder_are_synced_around_the_rename(tmp_path: Path) -> None:
    strace = harness.need("strace")
    program = (
        "import sys; from pathlib import Path; from depotserve import home;"
        "home.write_file(Path(sys.argv[1]) / 'users', b'k', mode=0o600)"
    )
    done = subprocess.run(
        [strace, "-e", "trace=fsync,rename", sys.executable, "-c", program, str(tmp_path)],
        env=harness.environment(),
        capture_output=True,
        check=True,
        timeout=60,
    )
    calls = [line.split("(")[0] for line in done.stderr.decode().splitlines() if "(" in line]
    assert calls[:3] == ["fsync", "rename", "fsync"]


def test_a_write_that_fails_leaves_the_old_file_and_no_other(tmp_path: Path) -> None:
    file = tmp_path / "users"
    file.write_bytes(b"old")
    program = (
        "import resource, signal, sys; from pathlib import Path; from depotserve import home;"
        "signal.signal(signal.SIGXFSZ, signal.SIG_IGN);"
        "resource.setrlimit(resource.RLIMIT_FSIZE, (10, 10));"
        "home.write_file(Path(sys.argv[1]), b'x' * 1000, mode=0o600)"
    )
    done = subprocess.run(
        [sys.executable, "-c", program, str(file)],
        env={**harness.environment(), "PYTHONDONTWRITEBYTECODE": "1"},
        capture_output=True,
        check=False,
        timeout=60,
    )
    assert b"SurroundingsError" in done.stderr
    assert file.read_bytes() == b"old"
    assert _names(tmp_path) == ["users"]


def test_a_write_into_a_missing_folder_names_the_file_and_the_reason(tmp_path: Path) -> None:
    with pytest.raises(SurroundingsError) as caught:
        home.write_file(tmp_path / "no" / "users", b"x", mode=0o600)
    assert str(caught.value) == f"{tmp_path}/no/users: No such file or directory"


def test_a_reader_sees_the_old_content_or_the_new_and_never_a_part(tmp_path: Path) -> None:
    file = tmp_path / "users"
    contents = [bytes([letter]) * 100_000 for letter in b"ab"]
    home.write_file(file, contents[0], mode=0o600)
    seen: set[bytes] = set()
    done = threading.Event()

    def read() -> None:
        while not done.is_set():
            seen.add(file.read_bytes())

    reader = threading.Thread(target=read)
    reader.start()
    for turn in range(200):
        home.write_file(file, contents[turn % 2], mode=0o600)
    done.set()
    reader.join()
    assert seen == set(contents)


def test_a_read_of_more_than_the_limit_is_refused(tmp_path: Path) -> None:
    file = tmp_path / "f"
    file.write_bytes(b"x" * 10)
    assert home.read_bounded(file, 10) == b"x" * 10
    with pytest.raises(CallerError, match=r"f: longer than 9 bytes$"):
        home.read_bounded(file, 9)


def test_a_fifo_is_refused_at_once_instead_of_waited_for(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "fifo")
    started = time.monotonic()
    with pytest.raises(CallerError, match="no regular file"):
        home.read_bounded(tmp_path / "fifo", 10)
    assert time.monotonic() - started < 10


def test_a_folder_and_a_missing_file_are_named_with_the_reason(tmp_path: Path) -> None:
    with pytest.raises((CallerError, SurroundingsError), match=str(tmp_path)):
        home.read_bounded(tmp_path, 10)
    with pytest.raises(SurroundingsError, match=r"/none: No such file or directory$"):
        home.read_bounded(tmp_path / "none", 10)


def test_a_lock_keeps_a_second_process_out_until_it_is_let_go(tmp_path: Path) -> None:
    lock = tmp_path / "accounts.lock"
    program = (
        "import sys; from pathlib import Path; from depotserve import home\n"
        "with home.locked(Path(sys.argv[1]), wait=60): print('in', flush=True)"
    )
    with home.locked(lock):
        with pytest.raises(SurroundingsError) as caught, home.locked(lock, wait=0.2):
            pytest.fail("two were let in")
        assert str(caught.value) == f"{lock}: held by another process"
        second = subprocess.Popen(
            [sys.executable, "-c", program, str(lock)],
            env=harness.environment(),
            stdout=subprocess.PIPE,
        )
        with pytest.raises(subprocess.TimeoutExpired):
            second.wait(2)
    assert second.communicate(timeout=60)[0] == b"in\n"
    assert _mode(lock) == 0o600


def test_a_lock_is_not_made_through_a_symlink(tmp_path: Path) -> None:
    (tmp_path / "x.lock").symlink_to(tmp_path / "elsewhere")
    with pytest.raises(SurroundingsError), home.locked(tmp_path / "x.lock"):
        pytest.fail("the lock was taken through a symlink")
    assert not (tmp_path / "elsewhere").exists()


def _make_home(folder: Path) -> Path:
    folder.mkdir()
    (folder / "depot.yaml").write_text("format: 1\n")
    return folder


def test_the_option_counts_before_the_variable_and_that_before_the_current_folder(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    option, variable, current = (_make_home(tmp_path / name) for name in "abc")
    monkeypatch.chdir(current)
    monkeypatch.delenv("DEPOT_HOME", raising=False)
    assert home.find(None).root == current
    monkeypatch.setenv("DEPOT_HOME", str(variable))
    assert home.find(None).root == variable
    assert home.find(option).root == option
    assert home.find(Path("../a")).root == option


def test_a_folder_that_is_no_home_is_refused_with_its_path(tmp_path: Path) -> None:
    with pytest.raises(CallerError) as caught:
        home.find(tmp_path)
    assert str(caught.value) == f"{tmp_path}: no depot.yaml in it; a home is expected"


def test_no_home_at_all_is_refused_with_what_to_give(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("DEPOT_HOME", raising=False)
    with pytest.raises(CallerError) as caught:
        home.find(None)
    assert str(caught.value) == (
        "no home is named and the current folder is none; "
        "give --home DIR or set DEPOT_HOME; depotserve init makes a home"
    )


def test_an_ordinary_file_system_can_hold_a_home_and_the_trial_leaves_nothing(
    tmp_path: Path,
) -> None:
    assert filesystem.shortcomings(tmp_path) == ()
    assert _names(tmp_path) == []


@pytest.mark.parametrize("kind", ["pipe", "folder", "device"])
def test_only_a_regular_file_is_replaced(tmp_path: Path, kind: str) -> None:
    file, other = tmp_path / "there", tmp_path / "other"
    if kind == "pipe":
        os.mkfifo(file)
    elif kind == "folder":
        file.mkdir()
    else:
        file.symlink_to(os.devnull)
    before = os.stat(file).st_mode
    with pytest.raises(SurroundingsError, match=r"no regular file|not permitted"):
        home.write_files([home.New(other, b"new", 0o600), home.New(file, b"new", 0o600)])
    assert os.stat(file).st_mode == before
    assert _names(tmp_path) == ["there"]


def test_a_link_is_replaced_where_it_is_not_to_be_followed(tmp_path: Path) -> None:
    file, target = tmp_path / "clock", tmp_path / "target"
    target.write_bytes(b"precious")
    file.symlink_to(target)
    home.write_files([home.New(file, b"new", 0o640, follow=False)])
    assert (file.is_symlink(), target.read_bytes()) == (False, b"precious")
    assert (file.read_bytes(), _mode(file)) == (b"new", 0o640)


def test_a_new_file_can_be_like_another(tmp_path: Path) -> None:
    like = tmp_path / "server.key"
    like.write_bytes(b"old")
    like.chmod(0o640)
    for name in ("next", "next"):
        home.write_files([home.New(tmp_path / name, b"new", 0o600, like=like)])
    assert _mode(tmp_path / "next") == 0o640


def test_what_an_interrupted_write_left_is_swept_and_nothing_else(tmp_path: Path) -> None:
    left = tmp_path / f".server.key.{'0a' * 8}.new"
    kept = [".server.key.new", "server.key", ".x.0a.new", f"x.{'0a' * 8}.new"]
    for name in kept:
        (tmp_path / name).touch()
    left.touch()
    home.sweep(tmp_path)
    assert _names(tmp_path) == sorted(kept)
    home.sweep(tmp_path / "missing")  # nothing to do


@pytest.mark.skipif(os.geteuid() != 0, reason="only root may give files away")
def test_a_lock_file_that_is_another_ones_link_keeps_its_owner(tmp_path: Path) -> None:
    state, other = tmp_path / "state", tmp_path / "other"
    state.mkdir()
    other.touch()
    os.chown(state, 1234, 2345)
    os.link(other, state / "tls.lock")
    with home.locked(state / "tls.lock"):
        pass
    assert other.stat().st_uid == 0
    with home.locked(state / "users.lock"):
        pass
    assert (state / "users.lock").stat().st_uid == 1234
