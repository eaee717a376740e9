"""rpm-md repositories, made by createrepo_c over packages that rpmbuild made."""

from __future__ import annotations

import gzip
import io
import subprocess
from typing import TYPE_CHECKING

import harness
import pytest
import repo_kit

from depotserve.tree.expectations.indexes import rpm_md
from depotserve.tree.expectations.listed import Listed, NotAListError, Place, UnusableError

if TYPE_CHECKING:
    from pathlib import Path

REPOMD = b"repodata/repomd.xml"
DIGEST = "67a5807b42807af3bdfce8dc8713bd11c093bf1754d354d3921551947b36573d"
PRIMARY = f"""<?xml version="1.0" encoding="UTF-8"?>
<metadata xmlns="http://linux.duke.edu/metadata/common" packages="2">
<package type="rpm">
  <checksum type="sha256" pkgid="YES">{DIGEST}</checksum>
  <size package="6046" installed="3" archive="264"/>
  <location href="noarch/intake-pump.rpm"/>
  <format><size package="1"/><location href="elsewhere"/></format>
</package>
<package type="rpm">
  <checksum type="sha" pkgid="YES">{DIGEST[:40]}</checksum>
  <size package="7"/>
  <location xml:base="http://mirror.plant.example/x" href="noarch/brine-valve.rpm"/>
</package>
</metadata>
""".encode()
FIRST = Listed(b"noarch/intake-pump.rpm", 3, 6046, (("sha256", bytes.fromhex(DIGEST)),))
OTHER = Listed(b"noarch/brine-valve.rpm", 9, 7, (("sha1", bytes.fromhex(DIGEST[:40])),))


def primary(content: bytes) -> repo_kit.Read:
    return repo_kit.read_bytes(rpm_md.PRIMARY, content)


def index_of(root: Path) -> bytes:
    (found,) = root.glob("repodata/*primary.xml*")
    return f"repodata/{found.name}".encode()


def packages(root: Path) -> set[bytes]:
    return {str(path.relative_to(root)).encode() for path in root.rglob("*.rpm")}


@pytest.fixture(scope="module")
def repository(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("rpm-md")
    repo_kit.make_rpm_md(folder)
    return folder


def assert_whole(root: Path) -> None:
    """Hold the repository's lists against exactly the files that are there."""
    read = repo_kit.read_list(root, REPOMD)
    found = repo_kit.found_at(root, REPOMD, read)
    there = {f"repodata/{path.name}".encode() for path in (root / "repodata").iterdir()}
    assert set(found) == there - {REPOMD}
    assert read.faults == []
    repo_kit.assert_true_of(root, found)
    index = index_of(root)
    read = repo_kit.read_list(root, index)
    found = repo_kit.found_at(root, index, read)
    assert set(found) == packages(root)
    assert len(read.items) == len(repo_kit.PACKAGES)
    repo_kit.assert_true_of(root, found)


@pytest.mark.parametrize("kind", ["gz", "xz", "bz2"])
def test_a_repository_is_read_whole_however_its_indexes_are_compressed(
    tmp_path: Path, kind: str
) -> None:
    repo_kit.make_rpm_md(tmp_path, kind)
    assert index_of(tmp_path).endswith(f".{kind}".encode())
    assert_whole(tmp_path)


def test_a_primary_index_in_zstandard_is_read(tmp_path: Path, repository: Path) -> None:
    # createrepo_c learned to write it with 1.0.
    plain = gzip.decompress((repository / index_of(repository).decode()).read_bytes())
    (tmp_path / "primary.xml.zst").write_bytes(repo_kit.compress(plain, "zst"))
    read = repo_kit.read_list(tmp_path, b"primary.xml.zst")
    assert {listed.path for listed in read.listed} == packages(repository)


def test_a_repository_with_simple_names_and_sha1_is_read(tmp_path: Path) -> None:
    repo_kit.make_rpm_md(tmp_path, "gz", "--simple-md-filenames", "--checksum=sha")
    assert index_of(tmp_path) == b"repodata/primary.xml.gz"
    assert_whole(tmp_path)
    assert {
        kind
        for each in repo_kit.read_list(tmp_path, b"repodata/primary.xml.gz").listed
        for kind, _ in each.digests
    } == {"sha1"}


def test_an_index_that_was_decompressed_in_its_place_counts_for_the_compressed_one(
    tmp_path: Path,
) -> None:
    repo_kit.make_rpm_md(tmp_path)
    harness.need("gunzip")
    packed = tmp_path / index_of(tmp_path).decode()
    subprocess.run(["gunzip", packed], check=True)
    read = repo_kit.read_list(tmp_path, REPOMD)
    found = repo_kit.found_at(tmp_path, REPOMD, read)
    plain = index_of(tmp_path)
    assert plain in found
    repo_kit.assert_true_of(tmp_path, found)
    gone = next(item for item in read.listed if item.path == plain + b".gz")
    assert gone.group == found[plain].group != b""
    # And it is in force all the same.
    assert len(repo_kit.read_list(tmp_path, plain).listed) == len(repo_kit.PACKAGES)


def test_an_index_that_is_no_longer_named_is_no_list(repository: Path) -> None:
    index = index_of(repository)
    beside = repo_kit.beside(repository / "repodata")
    content = gzip.decompress((repository / index.decode()).read_bytes())
    read = rpm_md.read_primary(io.BytesIO(content), Place(index, beside))
    assert len(list(read)) == len(repo_kit.PACKAGES)
    old = Place(b"repodata/" + b"0" * 64 + b"-primary.xml.gz", beside)
    with pytest.raises(NotAListError):
        list(rpm_md.read_primary(io.BytesIO(content), old))
    # A repomd.xml that cannot be read is a finding of its own; it takes no list out of force.
    broken = place_beside(old.path, b"<repomd")
    assert len(list(rpm_md.read_primary(io.BytesIO(content), broken))) == len(repo_kit.PACKAGES)


def place_beside(path: bytes, repomd: bytes) -> Place:
    return Place(path, lambda name: repomd if name == b"repomd.xml" else None)


def test_what_is_listed_has_its_place_size_and_digest() -> None:
    assert primary(PRIMARY).items == [FIRST, OTHER]


def test_a_base_within_the_repository_comes_before_the_place() -> None:
    content = PRIMARY.replace(b"http://mirror.plant.example/x", b"../other")
    assert primary(content).listed[1].path == b"../other/noarch/brine-valve.rpm"


@pytest.mark.parametrize(
    ("good", "bad", "line", "left"),
    [
        (b">67a5", b">67x5", 4, FIRST._replace(digests=())),
        (b">67a5", b">67a", 4, FIRST._replace(digests=())),
        (b'"sha256"', b'"sha25"', 4, FIRST._replace(digests=())),
        (b'package="6046"', b'package="6o46"', 5, FIRST._replace(size=None)),
        (b'package="6046"', b'packoge="6046"', 5, FIRST._replace(size=None)),
        (b'<location href="noarch/i', b'<location hrif="noarch/i', 3, None),
        (b'<location href="noarch/i', b'<lokation href="noarch/i', None, None),
    ],
)
def test_one_damaged_fact_is_one_fault_with_its_line(
    good: bytes, bad: bytes, line: int | None, left: Listed | None
) -> None:
    content = PRIMARY.replace(good, bad, 1)
    if bad.startswith(b"<lok"):
        content = content.replace(b'rpm"/>', b'rpm"></lokation>', 1).replace(b"/></lok", b"></lok")
        line = 3
    read = primary(content)
    assert [fault.line for fault in read.faults] == [line]
    assert read.listed == ([left] if left else []) + [OTHER]


def test_an_index_of_no_packages_is_fine(tmp_path: Path) -> None:
    repo_kit.run("createrepo_c", "--quiet", ".", cwd=tmp_path)
    assert repo_kit.read_list(tmp_path, index_of(tmp_path)).items == []
    assert repo_kit.read_list(tmp_path, REPOMD).faults == []


@pytest.mark.parametrize(
    "content",
    [
        b"",
        b"text",
        PRIMARY[:-20],
        PRIMARY.replace(b"metadata/common", b"metadata/rpm"),
        b"<!DOCTYPE metadata>" + PRIMARY.partition(b"\n")[2],
        PRIMARY.replace(b"href=", b"hrif="),
    ],
)
def test_what_is_no_whole_index_says_so(content: bytes) -> None:
    with pytest.raises(UnusableError):
        primary(content)


def test_a_repomd_that_names_nothing_says_so() -> None:
    with pytest.raises(UnusableError):
        repo_kit.read_bytes(rpm_md.REPOMD, b'<repomd xmlns="http://linux.duke.edu/metadata/repo"/>')


def test_a_damaged_digest_of_an_index_is_one_fault(repository: Path) -> None:
    content = (repository / REPOMD.decode()).read_bytes()
    whole = repo_kit.read_bytes(rpm_md.REPOMD, content)
    read = repo_kit.read_bytes(
        rpm_md.REPOMD,
        repo_kit.damage(content, rb'<checksum type="sha256">.', b'<checksum type="sha256">x'),
    )
    assert len(read.faults) == 1
    assert [item.path for item in read.listed] == [item.path for item in whole.listed]
