"""Trees that the trade's own tools made: clean is clean, and each damage is exactly one finding."""

from __future__ import annotations

import json
import subprocess
from typing import TYPE_CHECKING, Callable

import attrs
import bagit
import harness
import pytest
import repo_kit
from check_kit import check

if TYPE_CHECKING:
    from pathlib import Path

    from check_kit import Checked

pytestmark = pytest.mark.slow

FILES = {
    "pumps/intake.img": b"intake pump firmware\n" * 500,
    "pumps/brine.img": b"brine pump firmware\n" * 500,
    "valves/notes.txt": b"valves close in order\n" * 20,
}


def lay(folder: Path) -> None:
    for path, content in FILES.items():
        (folder / path).parent.mkdir(parents=True, exist_ok=True)
        (folder / path).write_bytes(content)


def make_sha256sum(folder: Path) -> None:
    lay(folder)
    _list(folder, "SHA256SUMS", "sha256sum", "--")


def make_b2sum(folder: Path) -> None:
    lay(folder)
    _list(folder, "B2SUMS", "b2sum", "--tag")


def _list(folder: Path, name: str, *command: str) -> None:
    harness.need(command[0])
    done = subprocess.run([*command, *FILES], cwd=folder, check=True, capture_output=True)
    (folder / name).write_bytes(done.stdout)


def make_bag(folder: Path) -> None:
    lay(folder)
    bagit.make_bag(str(folder), checksums=["sha256"])


def make_debian_by_scanpackages(folder: Path) -> None:
    repo_kit.make_debian_flat(folder, by="dpkg-scanpackages")


SIZE, DIGEST, LINE, MISSING = (
    "size differs",
    "digest differs",
    "unreadable line of a list",
    "missing",
)


@attrs.frozen
class Tree:
    """A kind of tree: two files in it, whether its lists state sizes, and a list to damage."""

    make: Callable[[Path], None]
    one: str
    other: str
    sizes: bool
    damaged: str  # the list
    old: bytes  # what of it is damaged
    new: bytes
    # Lists over the damaged list see that it is another one.
    seen: tuple[tuple[str, str], ...] = ()
    # Of what else a damaged list is told: what depends on the part that is gone.
    more: tuple[tuple[str, str], ...] = ()


def digits(pattern: bytes) -> bytes:
    return rb"(?<=" + pattern + rb")[0-9a-f]{4}"


TREES = {
    "sha256sum": Tree(
        make_sha256sum, "pumps/intake.img", "pumps/brine.img", False,
        "SHA256SUMS", rb"^[0-9a-f]{4}", b"zzzz",
    ),
    "b2sum --tag": Tree(
        make_b2sum, "pumps/intake.img", "pumps/brine.img", False,
        "B2SUMS", rb"= [0-9a-f]{4}", b"= zzzz",
    ),
    "bagit": Tree(
        make_bag, "data/pumps/intake.img", "data/pumps/brine.img", False,
        "manifest-sha256.txt", rb"^[0-9a-f]{4}", b"zzzz",
        seen=((DIGEST, "manifest-sha256.txt"),),
    ),
    "metalink": Tree(
        repo_kit.make_metalink, "intake & pump.img", "controller/brine.img", True,
        "plant.meta4", digits(rb'<hash type="sha-256">'), b"zzzz",
    ),
    "apt-ftparchive": Tree(
        repo_kit.make_debian_flat,
        "intake-pump_2.4+b1~rc1_all.deb", "membrane-control_2.4+b1~rc1_all.deb", True,
        "Packages", digits(rb"\nSHA256: "), b"zzzz",
        seen=((DIGEST, "Packages"),),
    ),
    "dpkg-scanpackages": Tree(
        make_debian_by_scanpackages,
        "intake-pump_2.4+b1~rc1_all.deb", "membrane-control_2.4+b1~rc1_all.deb", True,
        "Packages", digits(rb"\nSHA256: "), b"zzzz",
        seen=((DIGEST, "Packages"),),
    ),
    "a Debian archive": Tree(
        repo_kit.make_debian_archive,
        "pool/main/intake-pump_2.4+b1~rc1_all.deb",
        "pool/main/membrane-control_2.4+b1~rc1_all.deb", True,
        "dists/stable/Release", digits(rb"\nSHA256:\n "), b"zzzz",
    ),
    "createrepo_c": Tree(
        repo_kit.make_rpm_md, "packages/intake-pump.rpm", "packages/membrane-control.rpm", True,
        "repodata/repomd.xml", digits(rb'<checksum type="sha256">'), b"zzzz",
    ),
    "simple index": Tree(
        repo_kit.make_simple_index,
        "intake-pump/intake_pump-2.4+b1-py3-none-any.whl",
        "membrane-control/membrane_control-2.4+b1-py3-none-any.whl", False,
        "intake-pump/index.html", digits(rb"#sha256="), b"zzzz",
        more=(("list cannot be used", "intake-pump/index.html"),),
    ),
}  # fmt: skip


@pytest.fixture(params=TREES)
def tree(request: pytest.FixtureRequest, tmp_path: Path) -> Tree:
    kind = TREES[request.param]
    kind.make(tmp_path / "tree")
    return kind


def checked(tmp_path: Path) -> Checked:
    return check(tmp_path / "tree", tmp_path / "state")


def test_a_clean_tree_is_clean_and_what_its_lists_name_is_vouched_for(
    tree: Tree, tmp_path: Path
) -> None:
    found = checked(tmp_path)
    assert found.faults == set()
    assert found.status == 0
    marks = found.marks()
    assert marks[tree.one] == marks[tree.other] == "self-consistent only"
    assert "system litter" not in found.kinds
    # What is remembered says the same.
    assert checked(tmp_path).document == found.document


def test_a_file_that_is_gone_is_missing_and_nothing_else_is_found(
    tree: Tree, tmp_path: Path
) -> None:
    (tmp_path / "tree" / tree.one).unlink()
    found = checked(tmp_path)
    assert found.faults == {(MISSING, tree.one)}
    (wanted,) = found.document["to_do"]
    assert wanted["path"] == tree.one


def test_a_flipped_byte_is_a_digest_that_differs(tree: Tree, tmp_path: Path) -> None:
    path = tmp_path / "tree" / tree.one
    content = bytearray(path.read_bytes())
    content[len(content) // 2] ^= 1
    path.write_bytes(content)
    assert checked(tmp_path).faults == {(DIGEST, tree.one)}


def test_a_file_that_was_cut_differs_in_size_or_where_no_size_is_listed_in_its_digest(
    tree: Tree, tmp_path: Path
) -> None:
    path = tmp_path / "tree" / tree.one
    path.write_bytes(path.read_bytes()[:-7])
    assert checked(tmp_path).faults == {(SIZE if tree.sizes else DIGEST, tree.one)}


def test_two_files_that_changed_places_are_both_found(tree: Tree, tmp_path: Path) -> None:
    one, other = tmp_path / "tree" / tree.one, tmp_path / "tree" / tree.other
    contents = one.read_bytes(), other.read_bytes()
    one.write_bytes(contents[1])
    other.write_bytes(contents[0])
    same = len(contents[0]) == len(contents[1])
    kind = SIZE if tree.sizes and not same else DIGEST
    assert checked(tmp_path).faults == {(kind, tree.one), (kind, tree.other)}


def test_a_damaged_line_of_a_list_is_found_and_lists_over_it_see_it_too(
    tree: Tree, tmp_path: Path
) -> None:
    path = tmp_path / "tree" / tree.damaged
    path.write_bytes(repo_kit.damage(path.read_bytes(), tree.old, tree.new))
    found = checked(tmp_path)
    expected = {(LINE, tree.damaged), *tree.seen}
    assert found.faults == (set(tree.more) or expected)
    assert all(one["line"] for one in found.document["findings"] if one["kind"] == LINE)


# An OCI layout: content lies under the name of its digest, so that a list of it is content too.


@pytest.fixture
def layout(tmp_path: Path) -> Path:
    repo_kit.make_oci(tmp_path / "tree")
    return tmp_path / "tree"


def blobs(layout: Path) -> list[str]:
    """Give the layers by their paths, in order."""
    index = json.loads((layout / "index.json").read_bytes())
    manifest = json.loads(blob(layout, index["manifests"][0]["digest"]).read_bytes())
    return [str(blob(layout, one["digest"]).relative_to(layout)) for one in manifest["layers"]]


def blob(layout: Path, digest: str) -> Path:
    return layout / "blobs" / digest.replace(":", "/")


def test_an_image_layout_is_clean_and_each_damage_to_a_layer_is_one_finding(
    layout: Path, tmp_path: Path
) -> None:
    found = checked(tmp_path)
    assert (found.status, found.faults) == (0, set())
    layer, other = blobs(layout)
    whole = (layout / layer).read_bytes()
    (layout / layer).unlink()
    assert checked(tmp_path).faults == {(MISSING, layer)}
    (layout / layer).write_bytes(bytes([whole[0] ^ 1]) + whole[1:])
    assert checked(tmp_path).faults == {(DIGEST, layer)}
    (layout / layer).write_bytes(whole[:-1])
    assert checked(tmp_path).faults == {(SIZE, layer)}
    (layout / layer).write_bytes((layout / other).read_bytes())
    (layout / other).write_bytes(whole)
    kind = DIGEST if (layout / layer).stat().st_size == len(whole) else SIZE
    assert checked(tmp_path).faults == {(kind, layer), (kind, other)}


def test_a_damaged_entry_of_an_image_index_is_found(layout: Path, tmp_path: Path) -> None:
    index = layout / "index.json"
    index.write_bytes(repo_kit.damage(index.read_bytes(), digits(b"sha256:"), b"zzzz"))
    # The tool that makes the layers leaves out the end of their tars, which GNU tar minds as well;
    # here no digest vouches for them any more.
    told = {one for one in checked(tmp_path).faults if one[0] != "cut short or damaged"}
    assert told == {("list cannot be used", "index.json")}


# Lists by compression, and lists of lists.


def test_one_of_the_listed_compressions_suffices(tmp_path: Path) -> None:
    root = tmp_path / "tree"
    repo_kit.make_debian_flat(root)
    (root / "Packages").unlink()
    (root / "Packages.xz").unlink()
    assert checked(tmp_path).faults == set()
    (root / "Packages.gz").unlink()
    faults = checked(tmp_path).faults
    assert {kind for kind, _ in faults} == {MISSING}
    assert len(faults) == 1
