"""Where state lies, and files opened beneath a root."""

from __future__ import annotations

import os
import subprocess
import sys
from typing import TYPE_CHECKING

import engine_kit as kit
import harness
import pytest

from depotserve.errors import CallerError, SurroundingsError
from depotserve.tree.entry import Kind
from depotserve.tree.opening import NoRegularFileError, entry_of, open_file
from depotserve.tree.state import state_folder

if TYPE_CHECKING:
    from pathlib import Path


# XDG Base Directory Specification 0.8: "All paths set in these environment variables must be
# absolute. If an implementation encounters a relative path ... it should ... ignore it."
def test_the_users_own_folder_is_where_the_specification_puts_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("HOME", str(tmp_path))
    for named, expected in (
        (str(tmp_path / "xdg"), tmp_path / "xdg"),
        ("relative", tmp_path / ".local/state"),
        ("", tmp_path / ".local/state"),
    ):
        monkeypatch.setenv("XDG_STATE_HOME", named)
        folder = state_folder(None, tree=tmp_path / "tree")
        assert folder == expected / "depotserve"
        assert folder.is_dir()
        assert folder.stat().st_mode & 0o077 == 0


def test_state_never_lies_in_the_tree_by_any_way(tmp_path: Path) -> None:
    tree = tmp_path / "tree"
    (tree / "docs").mkdir(parents=True)
    (tmp_path / "link").symlink_to(tree / "docs")
    (tmp_path / "to-tree").symlink_to(tree)
    for state in (tree, tree / "s", tree / "docs/../s", tmp_path / "link", tmp_path / "link/new"):
        for root in (tree, tmp_path / "to-tree"):
            with pytest.raises(CallerError, match="the state would lie in the tree"):
                state_folder(state, tree=root)
    assert sorted(os.listdir(tree)) == ["docs"]
    assert os.listdir(tree / "docs") == []
    assert state_folder(tmp_path / "tree-state", tree=tree).is_dir()


def test_a_file_in_the_place_of_the_folder_is_one_clear_line(tmp_path: Path) -> None:
    (tmp_path / "file").write_bytes(b"")
    for state, why in (
        (tmp_path / "file", "File exists"),
        (tmp_path / "file/x", "Not a directory"),
    ):
        with pytest.raises(SurroundingsError) as caught:
            state_folder(state, tree=tmp_path / "tree")
        assert str(caught.value) == f"{state}: {why}"


@pytest.mark.parametrize("home", [None, "", "relative"])
def test_a_user_without_a_home_is_told_to_name_a_folder(tmp_path: Path, home: str | None) -> None:
    script = (
        "import sys, pathlib\n"
        "from depotserve.errors import DepotError\n"
        "from depotserve.tree.state import state_folder\n"
        "try: print(state_folder(None, tree=pathlib.Path('/nothing')))\n"
        "except DepotError as error: print(error)\n"
    )
    environment = {
        k: v for k, v in kit.environment().items() if k not in ("HOME", "XDG_STATE_HOME")
    }
    if home is not None:
        environment["HOME"] = home
    through = []
    if home is None:  # a user that no list of users has
        if os.geteuid():
            pytest.skip("only root may become another user")
        user = ["--reuid", "4321", "--regid", "4321", "--clear-groups"]
        through = [harness.need("setpriv"), *user]
        if harness.run("--version", through=through).returncode:
            pytest.skip("another user may not run this Python and these sources")
    done = subprocess.run(
        [*through, sys.executable, "-c", script],
        env=environment, cwd=tmp_path if home is not None else "/",
        capture_output=True, text=True, timeout=60, check=False,
    )  # fmt: skip
    said = "there is no home folder to keep state in; give --state DIR\n"
    assert (done.stdout, done.stderr) == (said, "")
    assert os.listdir(tmp_path) == []


def test_only_a_regular_file_is_opened_and_no_descriptor_is_left(tmp_path: Path) -> None:
    (tmp_path / "a").write_bytes(b"a")
    (tmp_path / "folder").mkdir()
    (tmp_path / "link").symlink_to("a")
    os.mkfifo(tmp_path / "fifo")
    before = os.listdir("/proc/self/fd")
    for name, error in (
        (b"folder", NoRegularFileError),
        (b"fifo", NoRegularFileError),
        (b"link", OSError),
        (b"none", FileNotFoundError),
    ):
        with pytest.raises(error):
            open_file(tmp_path, name)
    assert os.listdir("/proc/self/fd") == before


def test_an_open_file_is_the_entry_that_the_walk_saw_until_it_changes(tmp_path: Path) -> None:
    (tmp_path / "a").write_bytes(b"a")
    entry = kit.seen(tmp_path / "a")
    descriptor = open_file(tmp_path, b"a")
    try:
        assert entry_of(b"a", descriptor) == entry
        assert entry.kind is Kind.FILE
        os.truncate(tmp_path / "a", 0)
        assert entry_of(b"a", descriptor) != entry
    finally:
        os.close(descriptor)
