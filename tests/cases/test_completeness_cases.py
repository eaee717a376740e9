"""Case D03 as far as a check of a tree goes: that a file exists proves nothing."""

from __future__ import annotations

import hashlib
import json
from typing import TYPE_CHECKING, Any

import case_tree
import harness
import pytest

if TYPE_CHECKING:
    from pathlib import Path

ALPHABET = case_tree.ALPHABET
LOGIN_PAGE = b"<!DOCTYPE html><title>Sign in</title><form method=post><input name=user></form>"


def line(name: str, content: bytes) -> str:
    """Write a line in the form of `sha256sum` (GNU coreutils manual, "md5sum invocation")."""
    return f"{hashlib.sha256(content).hexdigest()}  {name}\n"


@pytest.fixture
def root(tmp_path: Path) -> Path:
    """Make the tree that all cases start from, with its list and three files more."""
    root = case_tree.make(tmp_path)
    case_tree.put(root / "short.bin", ALPHABET)
    case_tree.put(root / "wrong.bin", ALPHABET)
    case_tree.put(root / "gone.bin", ALPHABET)
    named = sorted(file for file in root.rglob("*") if file.is_file())
    lines = [line(str(file.relative_to(root)), file.read_bytes()) for file in named]
    (root / "SHA256SUMS").write_text("".join(lines))
    return root


def check(root: Path) -> tuple[int, dict[str, Any]]:
    """Run the completeness check and give its status and document."""
    done = harness.run("tree", "check", root, "--state", root.parent / "state", "--json")
    return done.returncode, json.loads(done.stdout)


def text_of(root: Path) -> tuple[int, str]:
    """Run it for a person."""
    done = harness.run("tree", "check", root, "--state", root.parent / "state")
    return done.returncode, done.stdout.decode()


def found(document: dict[str, Any]) -> list[tuple[str, str]]:
    """Give kind and path of each finding."""
    return [(one["kind"], one["path"]) for one in document["findings"]]


def test_a_whole_tree_is_complete_with_its_listed_file_of_0_bytes(root: Path) -> None:
    status, document = check(root)
    assert (status, document["faults"], document["counts"]) == (0, 0, {})
    assert (root / "empty.bin").stat().st_size == 0


def test_missing_short_wrong_and_extra_files_are_counted_apart(root: Path) -> None:
    sizes = (
        '<metalink xmlns="urn:ietf:params:xml:ns:metalink">'  # RFC 5854: a list with sizes
        '<file name="short.bin"><size>26</size></file></metalink>'
    )
    (root / "sizes.meta4").write_text(sizes)
    (root / "gone.bin").unlink()
    case_tree.put(root / "short.bin", ALPHABET[:10])
    case_tree.put(root / "wrong.bin", ALPHABET[::-1])
    case_tree.put(root / "extra.bin", b"more")
    status, document = check(root)
    assert status == 1
    assert document["counts"] == {
        "missing": 1,
        "size differs": 1,
        "digest differs": 1,
        "in no list": 1,
    }
    assert document["faults"] == 3
    assert found(document) == [
        ("missing", "gone.bin"),
        ("size differs", "short.bin"),
        ("digest differs", "wrong.bin"),
        ("in no list", "extra.bin"),
    ]
    status, text = text_of(root)
    assert status == 1
    for heading, name in (
        ("Missing: 1", "gone.bin"),
        ("Size differs: 1", "short.bin"),
        ("Digest differs: 1", "wrong.bin"),
        ("For information, in no list: 1", "extra.bin"),
    ):
        assert f"\n{heading}\n  {name}" in text
    assert text.endswith("\n3 faults.\n")


@pytest.mark.parametrize(
    ("there", "kind"),
    [
        (b"", "empty"),
        (ALPHABET[:10], "digest differs"),
        (ALPHABET[::-1], "digest differs"),
        (LOGIN_PAGE, "digest differs"),
    ],
    ids=["0 bytes", "10 bytes", "26 wrong bytes", "a login page"],
)
def test_a_file_that_exists_and_is_not_what_is_listed_is_to_be_fetched_again(
    root: Path, there: bytes, kind: str
) -> None:
    case_tree.put(root / "f26.bin", there)
    status, document = check(root)
    assert (status, found(document)) == (1, [(kind, "f26.bin")])
    assert document["to_do"] == [
        {
            "path": "f26.bin",
            "why": kind,
            "size": None,
            "digest": f"sha256:{hashlib.sha256(ALPHABET).hexdigest()}",
        }
    ]


def test_a_file_that_should_be_empty_and_is_not_is_wrong(root: Path) -> None:
    case_tree.put(root / "empty.bin", b"x")
    status, document = check(root)
    assert (status, found(document)) == (1, [("digest differs", "empty.bin")])


def test_a_missing_file_of_0_bytes_is_missing_whatever_empty_file_lies_elsewhere(
    root: Path,
) -> None:
    (root / "empty.bin").unlink()
    case_tree.put(root / "other.bin", b"")
    status, document = check(root)
    assert status == 1
    assert ("missing", "empty.bin") in found(document)


def test_a_folder_in_place_of_a_file_is_an_error_that_names_it(root: Path) -> None:
    (root / "f26.bin").unlink()
    (root / "f26.bin").mkdir()
    status, document = check(root)
    assert status == 1
    assert ("missing", "f26.bin") in found(document)
    (missing,) = [one for one in document["findings"] if one["kind"] == "missing"]
    assert missing["detail"] == "a folder is in its place"
    assert "  f26.bin  a folder is in its place\n" in text_of(root)[1]


def test_a_file_in_place_of_a_folder_leaves_its_files_missing(root: Path) -> None:
    (root / "d" / "inner.txt").unlink()
    (root / "d").rmdir()
    case_tree.put(root / "d", b"inner")
    status, document = check(root)
    assert status == 1
    assert ("missing", "d/inner.txt") in found(document)


def test_what_is_fetched_again_and_placed_makes_the_tree_complete(
    root: Path, tmp_path: Path
) -> None:
    case_tree.put(root / "f26.bin", ALPHABET[:10])
    case_tree.put(tmp_path / "f26 (1).bin", ALPHABET)
    assert check(root)[0] == 1
    harness.succeed("tree", "place", root, tmp_path / "f26 (1).bin")
    status, document = check(root)
    assert (status, document["counts"]) == (0, {})
