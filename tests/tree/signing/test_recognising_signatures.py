"""Which file is a signature, and of what."""

from __future__ import annotations

import hashlib
import os
from typing import TYPE_CHECKING

import issuing
import pytest
from signing_kit import check, checked, load, pin

from depotserve.tree import authenticity
from depotserve.tree.authenticity import Form, Signed, State, signed_by
from depotserve.tree.progress import Silent

if TYPE_CHECKING:
    from pathlib import Path

    from signing_kit import Person


@pytest.mark.parametrize(
    ("path", "there", "signed"),
    [
        (b"a/x.iso.asc", b"a/x.iso", (b"a/x.iso", Form.DETACHED)),
        (b"x.sig", b"x", (b"x", Form.DETACHED)),
        (b"x.sig", b"", (b"x", Form.DETACHED)),
        (b"x.tar.sign", b"x.tar", (b"x.tar", Form.DETACHED)),
        (b"d/Release.gpg", b"d/Release", (b"d/Release", Form.DETACHED)),
        (
            b"repodata/repomd.xml.asc",
            b"repodata/repomd.xml",
            (b"repodata/repomd.xml", Form.DETACHED),
        ),
        (b"list.p7s", b"list", (b"list", Form.DETACHED)),
        (b"list.p7", b"list", (b"list", Form.DETACHED)),
        (b"list.p7m", b"list", (b"list", Form.DETACHED)),
        (b"list.cms", b"list", (b"list", Form.DETACHED)),
        (b"SHA256SUMS.ASC", b"SHA256SUMS", (b"SHA256SUMS", Form.DETACHED)),
        (b"PUMP.RPM", b"", (b"PUMP.RPM", Form.PACKAGE)),
        (b"list.signature", b"list", (b"list", Form.DETACHED)),
        (b"d/InRelease", b"", (b"d/InRelease", Form.CLEAR)),
        (b"SHA256SUMS.asc", b"", (b"SHA256SUMS.asc", Form.CLEAR)),
        (b"SHA256SUMS", b"", (b"SHA256SUMS", Form.CLEAR)),
        (b"x-CHECKSUM", b"", (b"x-CHECKSUM", Form.CLEAR)),
        (b"x.iso.sha256", b"x.iso", (b"x.iso.sha256", Form.CLEAR)),
        (b"pump_1.dsc", b"", (b"pump_1.dsc", Form.CLEAR)),
        (b"pump.rpm", b"", (b"pump.rpm", Form.PACKAGE)),
        (b"a\n-o.asc", b"a\n-o", (b"a\n-o", Form.DETACHED)),
        (b"x.iso", b"", None),
        (b"Release", b"", None),
        (b".asc", b"", None),
        (b"d/.sig", b"d/", None),
        (b"asc", b"", None),
    ],
)
def test_a_name_says_what_a_file_may_sign(
    path: bytes, there: bytes, signed: tuple[bytes, Form] | None
) -> None:
    found = signed_by(path, lambda one: one == there)
    assert found == (signed and Signed(path, *signed))


def test_keys_and_other_files_of_such_names_are_no_signatures(
    tmp_path: Path, vendor: Person
) -> None:
    tree = tmp_path / "tree"
    tree.mkdir()
    (tree / "keyring.gpg").write_bytes(vendor.public(armour=False))
    (tree / "KEY.asc").write_bytes(vendor.public())
    (tree / "plant").write_bytes(b"a program")
    (tree / "plant.asc").write_bytes(vendor.public())
    (tree / "drawing.asc").write_bytes(b"no armour\n" * 200_000)
    (tree / "alone.sig").write_bytes(b"\x01\x02")
    (tree / "SHA256SUMS").write_bytes(b"0" * 64 + b"  plant\n")
    (tree / "part.rpm").write_bytes(b"no package")
    (tree / "folder.sig").mkdir()
    keys = load(pin(tmp_path / "keys", plant_asc=vendor.public()), tree)
    assert check(tree, None) == {}
    found = check(tree, keys)
    assert {name: one.state for name, one in found.items()} == {"part.rpm": State.UNREADABLE}


def test_a_signed_list_and_its_clear_signed_copy_are_told_apart_by_what_is_in_them(
    tmp_path: Path, vendor: Person
) -> None:
    tree = tmp_path / "tree"
    tree.mkdir()
    (tree / "SHA256SUMS").write_bytes(b"a list\n")
    (tree / "SHA256SUMS.asc").write_bytes(vendor.clear_sign(b"a list\n"))
    (tree / "SHA256SUMS.sig").write_bytes(vendor.sign(b"a list\n", "--armor"))
    keys = load(pin(tmp_path / "keys", plant_asc=vendor.public()), tree)
    found = {one.signature: (one.signed, one.verdict.state) for one in checked(tree, keys)}
    assert found == {
        b"SHA256SUMS.asc": (b"SHA256SUMS.asc", State.GOOD),
        b"SHA256SUMS.sig": (b"SHA256SUMS", State.GOOD),
    }


def test_a_signature_that_is_too_long_or_cannot_be_read_is_named(
    tmp_path: Path, vendor: Person
) -> None:
    tree = tmp_path / "tree"
    tree.mkdir()
    (tree / "x").write_bytes(b"x")
    (tree / "x.sig").write_bytes(b"\x89" + b"\0" * 2_000_000)
    (tree / "z").write_bytes(b"z")
    os.mkfifo(tree / "z.sig")
    keys = load(pin(tmp_path / "keys", plant_asc=vendor.public()), tree)
    paths = [b"x.sig", b"z.sig", b"gone.sig"]
    found = authenticity.check_signatures(tree, paths, keys, Silent())
    states = [one.verdict.state for one in found]
    assert states == [State.UNREADABLE] * 3


def test_a_link_is_no_signature_and_what_it_leads_to_is_looked_at_where_it_lies(
    tmp_path: Path, vendor: Person
) -> None:
    tree = tmp_path / "tree"
    (tree / "v2").mkdir(parents=True)
    (tree / "v2" / "SHA256SUMS").write_bytes(b"x")
    (tree / "v2" / "SHA256SUMS.sig").write_bytes(vendor.sign(b"x"))
    for name in ("SHA256SUMS", "SHA256SUMS.sig"):
        (tree / name).symlink_to(f"v2/{name}")
    keys = load(pin(tmp_path / "keys", plant_asc=vendor.public()), tree)
    paths = [b"SHA256SUMS", b"SHA256SUMS.sig", b"v2/SHA256SUMS", b"v2/SHA256SUMS.sig"]
    (found,) = authenticity.check_signatures(tree, paths, keys, Silent())
    assert (found.signed, found.verdict.state) == (b"v2/SHA256SUMS", State.GOOD)
    # A signature that lies beside a link is said not to be checked.
    (tree / "SHA256SUMS.sig").unlink()
    (tree / "SHA256SUMS.sig").write_bytes(vendor.sign(b"x"))
    first, second = authenticity.check_signatures(tree, paths, keys, Silent())
    assert (first.signed, first.verdict.state) == (b"SHA256SUMS", State.OTHER_KIND)
    assert second == found


def test_what_is_called_a_signature_and_is_none_cannot_be_used(
    tmp_path: Path, vendor: Person
) -> None:
    tree = tmp_path / "tree"
    tree.mkdir()
    (tree / "x").write_bytes(b"x")
    for name in ("x.asc", "x.p7s", "x.sig", "x.gpg"):
        (tree / name).write_bytes(b"<html>Not Found</html>")
    keys = load(pin(tmp_path / "keys", plant_asc=vendor.public()), tree)
    states = {name: one.state for name, one in check(tree, keys).items() if one}
    # What signs by a raw key, and what is encrypted, have such names too.
    other = dict.fromkeys(("x.sig", "x.gpg"), State.OTHER_KIND)
    assert states == {"x.asc": State.UNREADABLE, "x.p7s": State.UNREADABLE, **other}


@pytest.mark.parametrize("name", ["SHA256", "release.lst"])
def test_a_list_that_is_clear_signed_is_checked_whatever_its_name(
    name: str, tmp_path: Path, vendor: Person
) -> None:
    tree = tmp_path / "tree"
    tree.mkdir()
    (tree / name).write_bytes(vendor.clear_sign(b"x\n"))
    keys = load(pin(tmp_path / "keys", plant_asc=vendor.public()), tree)
    path = name.encode()
    assert not list(authenticity.check_signatures(tree, [path], keys, Silent()))
    (found,) = authenticity.check_signatures(tree, [path], keys, Silent(), lists={path})
    assert found.verdict.state is State.GOOD


def test_a_cms_signature_is_unknown_where_openpgp_keys_alone_are_pinned_and_the_reverse(
    tmp_path: Path, vendor: Person
) -> None:
    tree = tmp_path / "tree"
    tree.mkdir()
    signer = issuing.issue("release desk")
    (tmp_path / "signer.pem").write_bytes(signer.pem + signer.key_pem)
    (tree / "x").write_bytes(b"x\n")
    words = ["cms", "-sign", "-binary", "-in", tree / "x", "-signer", tmp_path / "signer.pem"]
    (tree / "x.sig").write_bytes(issuing.openssl(*words, "-outform", "DER"))
    (tree / "x.asc").write_bytes(vendor.sign(b"x\n", "--armor"))
    openpgp = load(pin(tmp_path / "a", plant_asc=vendor.public()), tree)
    cms = load(pin(tmp_path / "b", plant_pem=signer.pem), tree)
    states = [
        {name: one.state for name, one in check(tree, keys).items()} for keys in (openpgp, cms)
    ]
    assert states == [
        {"x.asc": State.GOOD, "x.sig": State.UNKNOWN_KEY},
        {"x.asc": State.UNKNOWN_KEY, "x.sig": State.GOOD},
    ]


def test_a_file_that_is_swapped_while_it_is_checked_is_vouched_for_as_it_was_read(
    tmp_path: Path, vendor: Person
) -> None:
    tree = tmp_path / "tree"
    tree.mkdir()
    true, false = b"true\n" * 200_000, b"evil\n" * 200_000
    (tree / "x").write_bytes(true)
    (tree / "x.sig").write_bytes(vendor.sign(true))
    keys = load(pin(tmp_path / "keys", plant_asc=vendor.public()), tree)

    class Swapping:
        """Puts other bytes in the file's place after its first piece was read."""

        def begin(self, what: str, files: int, size: int) -> None:
            pass

        def step(self, files: int, size: int) -> None:  # noqa: ARG002
            if size:
                (tree / "x").write_bytes(false)

    (found,) = authenticity.check_signatures(tree, [b"x.sig"], keys, Swapping())
    assert found.verdict.state is State.BAD
    assert found.verdict.sha256 != hashlib.sha256(true).digest()
