"""Case D14: links, loops, FIFOs, empty folders, unreadable files, operating systems' litter."""

from __future__ import annotations

import json
import os
import socket
import subprocess
from typing import TYPE_CHECKING, Any

import harness
import pytest

if TYPE_CHECKING:
    from pathlib import Path

F26 = b"abcdefghijklmnopqrstuvwxyz"
DIGEST = "71c480df93d6ae2f1efad1447c66c9525e316218cf51fc8d9ed832f2daf18b73"  # of F26, by sha256sum
LITTER = (".DS_Store", "Thumbs.db", "@eaDir", "lost+found", "System Volume Information")
# Each special entry of the recipe, and what is said of it.
SAID = {
    "dang": "link that leads to nothing",
    "loop/self": "link that leads to nothing",
    "loop/up": "link within the tree",
    "in": "link within the tree",
    "out": "link that leads out of the tree",
    "pipe": "neither file, folder nor link",
    "socket": "neither file, folder nor link",
    "emptydir": "empty folder",
    "secret": "cannot be read",
    **dict.fromkeys(LITTER, "system litter"),
}
FAULTS = {"dang", "loop/self", "out", "pipe", "socket", "secret"}


@pytest.fixture
def tree(tmp_path: Path) -> Path:
    root = tmp_path / "tree"
    (root / "loop").mkdir(parents=True)
    (root / "f26.bin").write_bytes(F26)
    links = {"dang": "nowhere", "loop/up": "..", "loop/self": "self", "in": "f26.bin"}
    (tmp_path / "hostname").write_bytes(b"elsewhere")
    for name, target in {**links, "out": str(tmp_path / "hostname")}.items():
        (root / name).symlink_to(target)
    os.mkfifo(root / "pipe")
    with socket.socket(socket.AF_UNIX) as one:
        # A path of at most 107 bytes (unix(7)), whatever the folder of this test is.
        here = os.open(root, os.O_RDONLY)
        one.bind(f"/proc/self/fd/{here}/socket")
        os.close(here)
    (root / "emptydir").mkdir()
    (root / "secret").write_bytes(b"s")
    (root / "secret").chmod(0)
    for name in LITTER:
        if "." in name:
            (root / name).write_bytes(b"litter")
        else:
            (root / name).mkdir()
            (root / name / "x").write_bytes(b"litter")
    (root / "SHA256SUMS").write_text(f"{DIGEST}  f26.bin\n")
    return root


def checked(tree: Path) -> dict[str, Any]:
    """Check as one whom file modes bind, within the five seconds of the recipe and a start."""
    done = harness.run(
        *("tree", "check", tree, "--state", tree.parent / "state", "--json"),
        through=harness.bound_by_modes(),
        timeout=30,
    )
    document: dict[str, Any] = json.loads(done.stdout)
    assert done.returncode == document["status"]
    return document


def said(document: dict[str, Any]) -> dict[str, str]:
    return {one["path"]: one["kind"] for one in document["findings"]}


def test_the_digest_of_the_26_letters_is_what_coreutils_says(tmp_path: Path) -> None:
    done = subprocess.run(
        [harness.need("sha256sum")], input=F26, capture_output=True, check=True, cwd=tmp_path
    )
    assert done.stdout.split()[0].decode() == DIGEST


def test_d14_each_special_entry_is_told_of_and_none_is_opened_or_followed(tree: Path) -> None:
    document = checked(tree)
    assert document["status"] == 1
    assert said(document) == SAID
    assert {one["path"] for one in document["findings"] if one["fault"]} == FAULTS
    known = {one["path"] for one in document["entries"]}
    # What a link leads to is not taken in under the link's name.
    assert not known & {"out", "in", "loop/up/f26.bin"}
    marks = {one["path"]: one["mark"] for one in document["entries"]}
    assert marks["f26.bin"] == "self-consistent only"


def test_d14_litter_empty_folders_and_links_within_the_tree_are_no_fault(tree: Path) -> None:
    for name in FAULTS:
        (tree / name).unlink()
    document = checked(tree)
    assert (document["status"], document["faults"]) == (0, 0)
    assert said(document) == {path: kind for path, kind in SAID.items() if path not in FAULTS}


def test_d14_litter_that_came_after_the_list_was_made_is_information_by_its_name(
    tree: Path,
) -> None:
    (tree / "loop" / ".DS_Store").write_bytes(b"litter")
    (tree / "loop" / "notes.txt").write_bytes(b"a file that no list names")
    found = said(checked(tree))
    assert found["loop/.DS_Store"] == "system litter"
    assert found["loop/notes.txt"] == "in no list"


def test_d14_a_folder_that_cannot_be_listed_is_a_fault(tree: Path) -> None:
    (tree / "loop").chmod(0)
    try:
        document = checked(tree)
    finally:
        (tree / "loop").chmod(0o755)
    assert said(document)["loop"] == "cannot be read"


def test_d14_a_manifest_lists_the_files_alone_and_says_what_it_left_out(tree: Path) -> None:
    done = harness.run(
        *("tree", "manifest", tree, "--state", tree.parent / "state"),
        through=harness.bound_by_modes(),
        timeout=30,
    )
    assert done.returncode == 1
    names = [row.split("  ", 1)[1] for row in done.stdout.decode().splitlines()]
    assert names == ["SHA256SUMS", "f26.bin"]
    told = {
        row.removeprefix("depotserve: ").split(":")[0] for row in done.stderr.decode().splitlines()
    }
    assert set(SAID) <= told
