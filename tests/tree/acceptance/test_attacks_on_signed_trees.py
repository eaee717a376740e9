"""Somebody who can write into a tree, and what he cannot get authenticated.

He has every file and list in his hands, and no pinned key.
"""

from __future__ import annotations

import hashlib
import shutil
from typing import TYPE_CHECKING

import pytest
from check_kit import check
from signing_kit import pin

if TYPE_CHECKING:
    from pathlib import Path

    from check_kit import Checked
    from signing_kit import Person

pytestmark = pytest.mark.slow

PUMP, EVIL = b"intake pump firmware\n" * 400, b"something else\n" * 400
CONFLICT, DIGEST, WRONG = "listed with different digests", "digest differs", "signature is wrong"


def line(content: bytes, name: str, algorithm: str = "sha256") -> bytes:
    return f"{hashlib.new(algorithm, content).hexdigest()}  {name}\n".encode()


@pytest.fixture
def root(tmp_path: Path, vendor: Person) -> Path:
    """Lay a file, and a list of it that the vendor signed."""
    root = tmp_path / "tree"
    root.mkdir()
    (root / "pump.img").write_bytes(PUMP)
    (root / "SHA256SUMS").write_bytes(line(PUMP, "pump.img"))
    (root / "SHA256SUMS.asc").write_bytes(vendor.sign(line(PUMP, "pump.img"), "--armor"))
    pin(tmp_path / "keys", plant_asc=vendor.public())
    assert genuine(checked(tmp_path)) == {"pump.img", "SHA256SUMS"}
    return root


def checked(tmp_path: Path) -> Checked:
    return check(tmp_path / "tree", tmp_path / "state", "--keys", tmp_path / "keys")


def genuine(found: Checked) -> set[str]:
    return {path for path, mark in found.marks().items() if mark == "authenticated"}


@pytest.mark.parametrize(
    ("name", "algorithm", "kinds"),
    [("pump.img.sha256", "sha256", {CONFLICT, DIGEST}), ("SHA512SUMS", "sha512", {DIGEST})],
)
def test_a_second_list_with_the_digest_of_a_changed_file_is_a_fault(
    name: str, algorithm: str, kinds: set[str], root: Path, tmp_path: Path
) -> None:
    (root / "pump.img").write_bytes(EVIL)
    (root / name).write_bytes(line(EVIL, "pump.img", algorithm))
    found = checked(tmp_path)
    assert found.faults == {(kind, "pump.img") for kind in kinds}
    # What a signed list says is named, and is what is to be fetched.
    assert "which plant vouches for" in found.details(DIGEST)["pump.img"]
    assert [one["path"] for one in found.document["to_do"]] == ["pump.img"]
    assert "pump.img" not in genuine(found)


@pytest.mark.parametrize("algorithm", ["sha256", "sha512"])
def test_a_second_list_that_speaks_against_a_genuine_file_leaves_it_unauthenticated(
    algorithm: str, root: Path, tmp_path: Path
) -> None:
    """Settled in DESIGN.md: one digest that differs is a fault, whatever the others say."""
    (root / "more.sha512").write_bytes(line(EVIL, "pump.img", algorithm))
    if algorithm == "sha256":
        (root / "more.sha512").rename(root / "more.sha256")
    found = checked(tmp_path)
    assert found.status == 1
    assert {path for _, path in found.faults} == {"pump.img"}
    assert "pump.img" not in genuine(found)


def test_what_an_unsigned_list_names_beyond_the_signed_one_is_consistent_only(
    root: Path, tmp_path: Path
) -> None:
    (root / "evil.img").write_bytes(EVIL)
    (root / "all.sha256").write_bytes(line(PUMP, "pump.img") + line(EVIL, "evil.img"))
    found = checked(tmp_path)
    assert found.faults == set()
    assert found.marks()["evil.img"] == "self-consistent only"
    assert "pump.img" in genuine(found)


@pytest.mark.parametrize("where", ["before", "after", "within a header"])
def test_text_around_a_clear_signed_list_names_nothing(
    where: str, root: Path, tmp_path: Path, vendor: Person
) -> None:
    (root / "SHA256SUMS.asc").unlink()
    signed = vendor.clear_sign(line(PUMP, "pump.img"))
    (root / "evil.img").write_bytes(EVIL)
    added = line(EVIL, "evil.img")
    (root / "SHA256SUMS").write_bytes(
        {
            "before": added + signed,
            "after": signed + added,
            "within a header": signed.replace(b"\nHash: ", b"\n" + added + b"Hash: "),
        }[where]
    )
    found = checked(tmp_path)
    assert found.status == 1
    assert "SHA256SUMS" in {path for _, path in found.faults}
    assert genuine(found) == set()


def test_a_changed_list_under_its_old_signature_authenticates_nothing(
    root: Path, tmp_path: Path
) -> None:
    (root / "pump.img").write_bytes(EVIL)
    (root / "SHA256SUMS").write_bytes(line(EVIL, "pump.img"))
    found = checked(tmp_path)
    assert found.faults == {(WRONG, "SHA256SUMS.asc")}
    assert genuine(found) == set()
    assert found.marks()["pump.img"] == "self-consistent only"


def test_a_list_outside_of_the_signed_release_is_consistent_only(
    root: Path, tmp_path: Path, vendor: Person
) -> None:
    for name in ("pump.img", "SHA256SUMS", "SHA256SUMS.asc"):
        (root / name).unlink()

    def index(content: bytes, name: str) -> bytes:
        digest = hashlib.sha256(content).hexdigest()
        rows = [f"Package: {name}", f"Filename: ./{name}.deb", f"Size: {len(content)}"]
        return "\n".join([*rows, f"SHA256: {digest}", ""]).encode()

    packages = index(PUMP, "pump")
    release = f"SHA256:\n {hashlib.sha256(packages).hexdigest()} {len(packages)} Packages\n"
    (root / "InRelease").write_bytes(vendor.clear_sign(release.encode()))
    (root / "Packages").write_bytes(packages)
    # Not archives, which nothing here is about.
    (root / "pump.deb").write_bytes(PUMP)
    (root / "more").mkdir()
    (root / "more" / "Packages").write_bytes(index(EVIL, "evil"))
    (root / "more" / "evil.deb").write_bytes(EVIL)
    found = checked(tmp_path)
    assert found.faults == set()
    assert genuine(found) == {"InRelease", "Packages", "pump.deb"}
    assert found.marks()["more/evil.deb"] == "self-consistent only"


def test_a_signed_list_that_was_taken_to_another_folder_holds_for_the_same_content_alone(
    root: Path, tmp_path: Path
) -> None:
    other = root / "other"
    other.mkdir()
    for name in ("SHA256SUMS", "SHA256SUMS.asc"):
        shutil.copy(root / name, other / name)
    (other / "pump.img").write_bytes(EVIL)
    found = checked(tmp_path)
    assert found.faults == {(DIGEST, "other/pump.img")}
    assert "other/pump.img" not in genuine(found)
    assert "pump.img" in genuine(found)


def test_one_bad_signature_of_a_pinned_key_outweighs_a_good_one(
    root: Path, tmp_path: Path, vendor: Person
) -> None:
    (root / "SHA256SUMS.sig").write_bytes(vendor.sign(line(EVIL, "pump.img")))
    found = checked(tmp_path)
    assert found.faults == {(WRONG, "SHA256SUMS.sig")}
    assert genuine(found) == set()


def test_a_key_that_came_with_the_files_is_refused_and_pins_nothing(
    root: Path, tmp_path: Path, stranger: Person
) -> None:
    """D15 (b): whoever can change the files brings his own key along."""
    (root / "pump.img").write_bytes(EVIL)
    (root / "SHA256SUMS").write_bytes(line(EVIL, "pump.img"))
    (root / "SHA256SUMS.asc").write_bytes(stranger.sign(line(EVIL, "pump.img"), "--armor"))
    (root / "KEY.asc").write_bytes(stranger.public())
    found = checked(tmp_path)
    assert found.faults == {("signature by a key that is not pinned", "SHA256SUMS.asc")}
    assert genuine(found) == set()


def test_a_link_to_a_signed_file_brings_no_other_file_under_its_name(
    root: Path, tmp_path: Path
) -> None:
    (root / "pump.img").rename(root / "old.img")
    (root / "evil.img").write_bytes(EVIL)
    (root / "pump.img").symlink_to("evil.img")
    found = checked(tmp_path)
    assert found.faults == {(DIGEST, "evil.img")}
    assert genuine(found) == {"SHA256SUMS"}
