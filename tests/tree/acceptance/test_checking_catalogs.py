"""Catalogs whose form no standard fixes: six shapes are guessed, two need rules (issue 5)."""

from __future__ import annotations

import hashlib
import json
from typing import TYPE_CHECKING, Any

import catalog_kit
import harness
import pytest
from check_kit import check

if TYPE_CHECKING:
    from pathlib import Path

    from catalog_kit import Shape
    from check_kit import Checked

SHAPES = catalog_kit.shapes()
RULED = catalog_kit.shapes_with_rules()
ONE, OTHER = "gateway/firmware/gw-7.2.bin", "controller/rom/brine.img"
UNUSABLE, FOREIGN = "list cannot be used", "catalog of other files"
DIGEST = "digest differs"


@pytest.fixture(params=SHAPES, ids=lambda shape: str(shape.name))
def shape(request: pytest.FixtureRequest, tmp_path: Path) -> Shape:
    kind: Shape = request.param
    kind.write(tmp_path / "tree")
    return kind


def checked(tmp_path: Path, *options: str | Path) -> Checked:
    return check(tmp_path / "tree", tmp_path / "state", *options)


def vouched(found: Checked) -> set[str]:
    return {path for path, mark in found.marks().items() if mark == "self-consistent only"}


def flipped(content: bytes) -> bytes:
    return content[:-1] + bytes([content[-1] ^ 1])


def test_a_guessed_catalog_vouches_for_every_file_and_says_how_it_was_read(
    shape: Shape, tmp_path: Path
) -> None:
    found = checked(tmp_path)
    assert (found.status, found.faults) == (0, set())
    assert vouched(found) == set(catalog_kit.FILES)
    (one,) = found.document["lists"]
    count = len(catalog_kit.FILES)
    assert (one["path"], one["guessed"]) == (shape.path, True)
    assert (one["named"], one["here"]) == (count, count)
    for word in ("guessed (", "file from `", "digest from `", f"{count} entries", "confidence "):
        assert word in one["detail"]
    text = harness.run("tree", "check", tmp_path / "tree", "--state", tmp_path / "state").stdout
    assert f"guessed, {count} of {count} files here" in text.decode()
    assert one["detail"] in text.decode()


@pytest.mark.slow
@pytest.mark.usefixtures("shape")
def test_each_damage_to_a_file_of_a_guessed_catalog_is_one_finding(tmp_path: Path) -> None:
    root = tmp_path / "tree"
    one, other = root / ONE, root / OTHER
    whole, another = one.read_bytes(), other.read_bytes()
    one.unlink()
    assert checked(tmp_path).faults == {("missing", ONE)}
    one.write_bytes(flipped(whole))
    assert checked(tmp_path).faults == {(DIGEST, ONE)}
    one.write_bytes(whole[:-1])
    assert checked(tmp_path).faults == {("size differs", ONE)}
    one.write_bytes(another)
    other.write_bytes(whole)
    assert checked(tmp_path).faults == {("size differs", ONE), ("size differs", OTHER)}


@pytest.mark.parametrize("shape", RULED, ids=lambda shape: str(shape.name))
def test_a_catalog_that_must_not_be_guessed_is_one_finding_until_rules_read_it(
    shape: Shape, tmp_path: Path
) -> None:
    shape.write(tmp_path / "tree")
    found = checked(tmp_path)
    assert (found.status, found.faults) == (1, {(UNUSABLE, shape.path)})
    why = found.details(UNUSABLE)[shape.path]
    assert "not guessed: " in why
    assert "--rules" in why
    assert vouched(found) == set()
    rules = tmp_path / "rules.yaml"
    rules.write_text(shape.rules)
    found = checked(tmp_path, "--rules", rules)
    assert (found.status, found.faults) == (0, set())
    assert vouched(found) == set(catalog_kit.FILES)
    (one,) = found.document["lists"]
    assert one["guessed"] is False
    (tmp_path / "tree" / ONE).unlink()
    assert checked(tmp_path, "--rules", rules).faults == {("missing", ONE)}


# What a guessed catalog is worth, the tree tells.


def entries(names: list[str], root: Path) -> list[dict[str, Any]]:
    """Give entries of files that are there, or are made up."""
    found = []
    for name in names:
        path = root / name
        content = path.read_bytes() if path.exists() else name.encode()
        digest = hashlib.sha256(content).hexdigest()
        found.append({"path": name, "size": len(content), "sha256": digest})
    return found


@pytest.mark.parametrize(
    ("here", "kind", "status"),
    [(0, FOREIGN, 1), (1, FOREIGN, 1), (2, UNUSABLE, 1), (9, UNUSABLE, 1), (10, None, 1)],
)
def test_a_guessed_catalog_of_files_that_are_not_here_is_one_finding_at_most(
    here: int, kind: str | None, status: int, tmp_path: Path
) -> None:
    root = tmp_path / "tree"
    root.mkdir()
    for number in range(here):
        (root / f"unit-{number}.img").write_bytes(b"%d" % number)
    names = [f"unit-{number}.img" for number in range(20)]
    (root / "catalog.json").write_text(json.dumps(entries(names, root)))
    found = checked(tmp_path)
    assert found.status == status
    if kind is None:
        assert found.faults == {("missing", name) for name in names[here:]}
    else:
        (finding,) = (one for one in found.document["findings"] if one["kind"] != "in no list")
        assert (finding["kind"], finding["path"]) == (kind, "catalog.json")
        assert finding["fault"] == (kind == UNUSABLE)


def test_a_catalog_of_other_files_beside_a_good_list_is_no_fault(tmp_path: Path) -> None:
    SHAPES[0].write(tmp_path / "tree")
    (tmp_path / "tree" / "parts.json").write_text(
        json.dumps(entries(["a.c", "b.c", "c.c"], tmp_path))
    )
    found = checked(tmp_path)
    assert (found.status, found.faults) == (0, set())
    assert FOREIGN in found.kinds


def test_guessed_digests_of_which_not_one_holds_are_one_finding_and_no_damage(
    tmp_path: Path,
) -> None:
    """A version control system's names of contents, which are SHA-1 over a header and the file."""
    root = tmp_path / "tree"
    listed = []
    for path, content in catalog_kit.FILES.items():
        (root / path).parent.mkdir(parents=True, exist_ok=True)
        (root / path).write_bytes(content)
        blob = hashlib.sha1(b"blob %d\0" % len(content) + content).hexdigest()  # noqa: S324
        listed.append({"path": path, "size": len(content), "sha1": blob})
    (root / "files.json").write_text(json.dumps({"files": listed}))
    found = checked(tmp_path)
    assert (found.status, found.faults) == (1, {(UNUSABLE, "files.json")})
    why = found.details(UNUSABLE)["files.json"]
    assert f"none of the {len(listed)} sha1 digests" in why
    assert vouched(found) == set()
    # Its sizes are still held against the files,.
    (root / ONE).write_bytes(b"short")
    assert ("size differs", ONE) in checked(tmp_path).faults


def test_one_guessed_digest_that_holds_makes_the_others_damage(tmp_path: Path) -> None:
    root = tmp_path / "tree"
    SHAPES[0].write(root)
    for path in list(catalog_kit.FILES)[1:]:
        (root / path).write_bytes(flipped((root / path).read_bytes()))
    assert checked(tmp_path).faults == {(DIGEST, path) for path in list(catalog_kit.FILES)[1:]}


def test_a_catalog_that_gives_names_alone_speaks_of_the_files_of_those_names(
    tmp_path: Path,
) -> None:
    root = tmp_path / "tree"
    files = {path: data for path, data in catalog_kit.FILES.items() if "README" not in path}
    listed = []
    for path, content in files.items():
        (root / path).parent.mkdir(parents=True, exist_ok=True)
        (root / path).write_bytes(content)
        digest = hashlib.sha256(content).hexdigest()
        listed.append({"filename": path.rpartition("/")[2], "sha256": digest})
    (root / "files.json").write_text(json.dumps(listed))
    found = checked(tmp_path)
    assert (found.status, found.faults) == (0, set())
    (one,) = found.document["lists"]
    assert one["relative_to"] == "name"
    assert vouched(found) == set(files)
