from __future__ import annotations

import os
import shutil
import struct
import sys
from typing import TYPE_CHECKING

import harness
import pytest
from inspection_kit import (
    SERVICE,
    as_user,
    findings,
    in_own_mounts,
    not_fine,
    only_root,
    rows,
    said,
    unsound,
)

from depotserve.survey import Kind, survey

if TYPE_CHECKING:
    from pathlib import Path


@only_root
def test_files_and_folders_that_the_service_cannot_read_are_counted_and_named(
    shared: Path, place: Path
) -> None:
    tree = place / "tree"
    (tree / "f26.bin").chmod(0o600)
    (tree / "x").chmod(0o640)
    (tree / "gateway").chmod(0o700)
    found = said(shared, 1)
    folders = f"1 folders in {tree} cannot be listed, so readers cannot either: gateway"
    faults = not_fine(found)
    assert faults[0] == ("fault", "content", folders)
    grade, topic, text = faults[1]
    assert (grade, topic) == ("fault", "content")
    head, _, names = text.rstrip(")").partition(": 2 (")
    assert head == f"{SERVICE} cannot read some files in {tree}"
    assert sorted(names.split(", ")) == ["f26.bin", "x"]


@only_root
def test_what_is_advised_makes_the_content_readable(shared: Path, place: Path) -> None:
    (place / "tree" / "x").chmod(0o600)
    (place / "tree" / "gateway").chmod(0o700)
    for advice in [row["advice"] for row in said(shared, 1) if row["advice"]]:
        assert os.system(advice) == 0  # noqa: S605  # as a person pastes it
    assert not_fine(said(shared, 0)) == []


@only_root
def test_a_folder_without_the_right_to_enter_it_is_one_thing_and_not_each_file_in_it(
    shared: Path, place: Path
) -> None:
    (place / "tree" / "gateway" / "firmware").chmod(0o744)
    text = f"1 folders in {place}/tree cannot be listed, so readers cannot either: gateway/firmware"
    assert not_fine(said(shared, 1)) == [("fault", "content", text)]


@only_root
@pytest.mark.parametrize("mode", [0o700, 0o744])
def test_a_closed_folder_on_the_way_to_the_root_is_named_and_nothing_in_it(
    shared: Path, place: Path, mode: int
) -> None:
    outer = place / "vendor"
    outer.mkdir()
    (place / "tree").rename(outer / "tree")
    content = [{"url": "/", "path": str(outer / "tree"), "users": "any"}]
    harness.change_settings(shared, content=content)
    os.chown(shared / "depot.yaml", -1, SERVICE)
    (shared / "depot.yaml").chmod(0o640)
    outer.chmod(mode)
    text = f"/: {outer}/tree: {SERVICE} cannot pass through {outer}"
    found = said(shared, 1)
    assert not_fine(found) == [("fault", "content", text)]
    assert [row["advice"] for row in found if row["advice"]] == [f"chmod o+x {outer}"]


@only_root
def test_an_access_list_counts_as_the_kernel_counts_it(shared: Path, place: Path) -> None:
    file = place / "tree" / "x"
    # acl(5) as the kernel keeps it (linux/posix_acl_xattr.h): version 2, then tag, rights, who;
    # the owner rw, the service's user r, the group and all others nothing, the mask r.
    none = 0xFFFFFFFF
    entries = [(1, 6, none), (2, 4, SERVICE), (4, 0, none), (16, 4, none), (32, 0, none)]
    text = struct.pack("<I", 2) + b"".join(struct.pack("<HHI", *entry) for entry in entries)
    try:
        os.setxattr(file, "system.posix_acl_access", text)
    except OSError:
        pytest.skip("this file system has no access lists")
    assert [row for row in not_fine(said(shared, 0)) if row[1] == "content"] == []


@only_root
def test_the_service_and_root_see_the_same(shared: Path, place: Path) -> None:
    (place / "tree" / "x").chmod(0o600)
    of_root, of_service = said(shared, 1), said(shared, 1, through=as_user(SERVICE))
    assert not_fine(of_root) == not_fine(of_service) != []


def test_an_empty_folder_is_a_caution(home: Path, tree: Path) -> None:
    shutil.rmtree(tree)
    tree.mkdir()
    assert unsound(home) == [("caution", "content", f"{tree} is empty")]


def test_missing_content_is_one_fault_that_names_the_line_of_the_settings(
    home: Path, tree: Path
) -> None:
    shutil.rmtree(tree)
    (found,) = [one for one in findings(home) if one.advice]
    assert found.text == f"/: {tree}: No such file or directory"
    assert found.advice == "put the folder there, or set another path in depot.yaml line 5"


def test_a_file_in_the_place_of_content_is_one_fault(home: Path, tree: Path) -> None:
    shutil.rmtree(tree)
    tree.touch()
    assert unsound(home) == [("fault", "content", f"/: {tree}: Not a directory")]


FSTAB = """
echo 'tmpfs {point} tmpfs {options} 0 0' > {table}
mount --bind {table} /etc/fstab
"""


@pytest.mark.parametrize("inner", ["", "gateway"])
def test_a_disk_that_the_machine_knows_and_has_not_mounted_is_the_one_fault(
    home: Path, tree: Path, tmp_path: Path, inner: str
) -> None:
    point = tree / inner
    script = FSTAB.format(point=point, options="defaults", table=tmp_path / "fstab")
    found = said(home, 1, through=in_own_mounts(script))
    assert not_fine(found) == [
        ("fault", "content", f"/: {tree}: nothing is mounted at {point}".rstrip("/"))
    ]
    (advice,) = [row["advice"] for row in found if row["advice"]]
    mended = f"{script}{advice}; touch {point}/x"
    assert not_fine(said(home, 0, through=in_own_mounts(mended))) == []


def test_a_disk_that_is_mounted_by_hand_only_is_not_missed(
    home: Path, tree: Path, tmp_path: Path
) -> None:
    script = FSTAB.format(point=tree, options="noauto", table=tmp_path / "fstab")
    assert not_fine(said(home, 0, through=in_own_mounts(script))) == []


def test_links_that_are_never_served_are_information_with_their_count(
    home: Path, tree: Path
) -> None:
    (tree / "nowhere").symlink_to("missing")
    (tree / "out").symlink_to("/etc/hostname")
    (tree / "up").symlink_to("../home")
    (tree / "fine").symlink_to("f26.bin")
    (tree / "round").symlink_to("round")
    texts = [text for grade, topic, text in rows(findings(home)) if topic == "content"]
    assert f"links in {tree} that lead to nothing, never served: 1 (nowhere)" in texts
    (astray,) = [text for text in texts if "lead out of it" in text]
    head, _, names = astray.rstrip(")").partition(": 3 (")
    assert head == f"links in {tree} that lead out of it or to hidden names, never served"
    assert sorted(names.split(", ")) == ["out", "round", "up"]
    assert unsound(home) == []


def test_names_that_never_serve_hides_are_information(home: Path, tree: Path) -> None:
    (tree / "gateway" / ".git").mkdir()
    (tree / "Thumbs.db").touch()
    texts = [text for _, topic, text in rows(findings(home)) if topic == "content"]
    (hidden,) = [text for text in texts if text.startswith("hidden by never_serve")]
    assert hidden.startswith(f"hidden by never_serve in {tree}: 2 (")
    assert unsound(home) == []


def test_a_survey_names_the_first_few_and_counts_the_rest(tmp_path: Path) -> None:
    for number in range(30):
        (tmp_path / f"{number}").symlink_to("missing")
    tally = survey(tmp_path, ()).tallies[Kind.DANGLING]
    assert (tally.count, len(tally.first)) == (30, 5)


@pytest.mark.slow
def test_a_tree_of_many_files_takes_no_more_memory_than_a_small_one(home: Path, tree: Path) -> None:
    # getrusage(2): the largest resident set of its children, in KiB.
    script = "import resource, subprocess, sys; subprocess.run(sys.argv[1:], stdout=-3, check=True)"
    script += "; print(resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss)"
    peaks = []
    for _ in range(2):
        done = harness.run("inspect", "--home", home, through=[sys.executable, "-c", script])
        assert done.returncode == 0, done.stderr
        peaks.append(int(done.stdout))
        for number in range(100):
            folder = tree / f"unit-{number}"
            folder.mkdir(exist_ok=True)
            for name in range(500):
                (folder / f"part-{name}").touch()
    assert peaks[1] - peaks[0] < 4096, peaks


def test_names_that_are_no_utf8_are_told(home: Path, tree: Path) -> None:
    os.symlink(b"missing", os.fsencode(tree) + b"/\xff\xfe")
    texts = [text for _, _, text in rows(findings(home))]
    name = os.fsdecode(b"\xff\xfe")
    assert f"links in {tree} that lead to nothing, never served: 1 ({name})" in texts


@only_root
def test_such_names_are_told_by_the_eyes_of_another_user_too(shared: Path, place: Path) -> None:
    os.symlink(b"missing", os.fsencode(place / "tree") + b"/\xff")
    texts = [row["text"] for row in said(shared, 0)]
    name = os.fsdecode(b"\xff")
    assert f"links in {place}/tree that lead to nothing, never served: 1 ({name})" in texts
