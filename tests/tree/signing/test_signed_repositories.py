"""A flat Debian repository and clear-signed lists, made by the trade's own tools."""

from __future__ import annotations

import subprocess
from typing import TYPE_CHECKING

import harness
import pytest
import signing_kit
from signing_kit import THEN, check, gpgv, load, pin, signed_text

from depotserve.tree.authenticity import BrokenError, State, is_clear_signed

if TYPE_CHECKING:
    from pathlib import Path

    from signing_kit import Person

TEXT = b"- dosing pump\n-- valve\n\nFrom the intake  \n\tmembrane\t\nend\n"
SIGNED = b"- dosing pump\n-- valve\n\nFrom the intake\n\tmembrane\nend\n"  # RFC 9580 §7.2


@pytest.fixture
def repository(tmp_path: Path) -> Path:
    """Two packages and their lists, unsigned."""
    harness.need("dpkg-deb")
    root = tmp_path / "repository"
    root.mkdir()
    for name in ("pump", "valve"):
        package(tmp_path, root, name, "1.0")
    list_again(root)
    return root


def package(room: Path, root: Path, name: str, version: str) -> None:
    control = room / name / "DEBIAN" / "control"
    control.parent.mkdir(parents=True, exist_ok=True)
    lines = [f"Package: {name}", f"Version: {version}", "Architecture: all"]
    lines += ["Maintainer: Plant <plant@plant.example>", "Description: a part"]
    control.write_text("\n".join([*lines, ""]))
    words = ["dpkg-deb", "--root-owner-group", "--build", room / name, root / f"{name}.deb"]
    subprocess.run(words, check=True, capture_output=True, timeout=120)


def list_again(root: Path) -> None:
    program = harness.need("apt-ftparchive")
    for name in ("Release", "Release.gpg", "InRelease"):
        (root / name).unlink(missing_ok=True)
    for command, name in (("packages", "Packages"), ("release", "Release")):
        made = subprocess.run(
            [program, command, "."], cwd=root, check=True, capture_output=True, timeout=120
        )
        (root / name).write_bytes(made.stdout)


def sign(root: Path, person: Person, *options: str) -> None:
    release = (root / "Release").read_bytes()
    (root / "InRelease").write_bytes(person.clear_sign(release, *options))
    (root / "Release.gpg").write_bytes(person.sign(release, "--armor", *options))


def states(root: Path, tmp_path: Path, key: bytes) -> dict[str, State]:
    found = check(root, load(pin(tmp_path / "keys", plant_asc=key), root))
    return {path: verdict.state for path, verdict in found.items()}


def asked(root: Path, tmp_path: Path, key: bytes) -> list[set[str]]:
    release = (root / "Release").read_bytes()
    clear = gpgv([key], (root / "InRelease").read_bytes(), None, tmp_path / "gpgv")
    armoured = (root / "Release.gpg").read_bytes()
    return [clear, gpgv([key], armoured, release, tmp_path / "gpgv")]


def test_a_repository_signed_by_a_pinned_key_is_good_both_ways(
    repository: Path, tmp_path: Path, builder: Person
) -> None:
    sign(repository, builder)
    good = {"InRelease": State.GOOD, "Release.gpg": State.GOOD}
    assert states(repository, tmp_path, builder.public()) == good
    for words in asked(repository, tmp_path, builder.public(armour=False)):
        assert {"GOODSIG", "exit 0"} <= words
    text = signed_text((repository / "InRelease").read_bytes())
    assert text == (repository / "Release").read_bytes()


def test_lists_made_again_over_a_swapped_package_have_no_good_signature(
    repository: Path, tmp_path: Path, vendor: Person, stranger: Person
) -> None:
    sign(repository, vendor)
    old = (repository / "Release.gpg").read_bytes()
    package(tmp_path, repository, "valve", "6.6")
    list_again(repository)
    (repository / "Release.gpg").write_bytes(old)
    assert states(repository, tmp_path, vendor.public()) == {"Release.gpg": State.BAD}
    release = (repository / "Release").read_bytes()
    key = vendor.public(armour=False)
    assert "BADSIG" in gpgv([key], old, release, tmp_path / "gpgv")
    sign(repository, stranger)
    unknown = {"InRelease": State.UNKNOWN_KEY, "Release.gpg": State.UNKNOWN_KEY}
    assert states(repository, tmp_path, vendor.public()) == unknown
    for words in asked(repository, tmp_path, key):
        assert "NO_PUBKEY" in words


def test_a_repository_signed_by_an_expired_or_revoked_key_says_so(
    repository: Path, tmp_path: Path, expired: Person, gnupg_home: Path
) -> None:
    sign(repository, expired, "--faked-system-time", f"{THEN}!")
    found = states(repository, tmp_path, expired.public())
    assert set(found.values()) == {State.EXPIRED_KEY}
    assert all(
        "EXPKEYSIG" in one for one in asked(repository, tmp_path, expired.public(armour=False))
    )
    left = signing_kit.person(gnupg_home, "left")
    sign(repository, left)
    left.revoke()
    found = states(repository, tmp_path, left.public())
    assert set(found.values()) == {State.REVOKED_KEY}
    assert all("REVKEYSIG" in one for one in asked(repository, tmp_path, left.public(armour=False)))


def test_what_is_read_of_a_clear_signed_file_is_what_was_signed(
    tmp_path: Path, vendor: Person
) -> None:
    made = vendor.clear_sign(TEXT)
    assert is_clear_signed(made[:64])
    assert signed_text(made) == SIGNED
    tree = tmp_path / "tree"
    tree.mkdir()
    (tree / "SHA256SUMS.asc").write_bytes(made)
    assert states(tree, tmp_path, vendor.public()) == {"SHA256SUMS.asc": State.GOOD}
    (tree / "SHA256SUMS.asc").write_bytes(b"\n \r\n" + made)
    assert states(tree, tmp_path, vendor.public()) == {"SHA256SUMS.asc": State.GOOD}
    assert signed_text(b"\n \r\n" + made) == SIGNED
    words = gpgv([vendor.public(armour=False)], b"\n \r\n" + made, None, tmp_path / "gpgv")
    assert "GOODSIG" in words
    converted = made.replace(b"\n", b"\r\n")
    (tree / "SHA256SUMS.asc").write_bytes(converted)
    # RFC 9580 §7: line ends are no part of what is signed, nor of what is read.
    assert states(tree, tmp_path, vendor.public()) == {"SHA256SUMS.asc": State.GOOD}
    assert signed_text(converted) == SIGNED


@pytest.mark.parametrize(
    ("old", "new", "word"),
    [
        (b"-----BEGIN PGP SIGNED", b"evil\n-----BEGIN PGP SIGNED", "before"),
        (b"Hash: ", b"evil\nHash: ", "header"),
        (b"Hash: ", b"Comment: evil\nHash: ", "header"),
        (b"Hash: ", b"NotDashEscaped: x\nHash: ", "header"),
        (b"\n\n- -", b"\n \t\nevil\n\n- -", "header"),
        (b"-----END PGP SIGNATURE-----\n", b"-----END PGP SIGNATURE-----\nevil\n", "after"),
        (b"- -- valve", b"-- valve", "dash"),
        (b"-----BEGIN PGP SIGNATURE-----", b"-----BEGIN PGP MESSAGE-----", "dash"),
        (b"-----END PGP SIGNATURE-----", b"", "cut short"),
        (b"-----BEGIN PGP SIGNATURE-----", b"", "dash"),
    ],
)
def test_text_slipped_in_around_or_between_what_is_signed_is_refused(
    old: bytes, new: bytes, word: str, tmp_path: Path, vendor: Person
) -> None:
    changed = vendor.clear_sign(TEXT).replace(old, new, 1)
    with pytest.raises(BrokenError, match=word):
        signed_text(changed)
    tree = tmp_path / "tree"
    tree.mkdir()
    (tree / "InRelease").write_bytes(changed)
    keys = load(pin(tmp_path / "keys", plant_asc=vendor.public()), tree)
    assert check(tree, keys)["InRelease"].state is State.UNREADABLE


@pytest.mark.parametrize(
    ("old", "new"),
    [(b"valve", b"evil"), (b"end\n", b"end\nevil\n"), (b"end\n", b"end\n\n"), (b"\tmemb", b"memb")],
)
def test_a_changed_clear_signed_text_is_bad(
    old: bytes, new: bytes, tmp_path: Path, vendor: Person
) -> None:
    tree = tmp_path / "tree"
    tree.mkdir()
    changed = vendor.clear_sign(TEXT).replace(old, new, 1)
    (tree / "InRelease").write_bytes(changed)
    assert states(tree, tmp_path, vendor.public()) == {"InRelease": State.BAD}
    words = gpgv([vendor.public(armour=False)], changed, None, tmp_path / "gpgv")
    assert "BADSIG" in words


def test_two_clear_signed_messages_in_one_file_are_refused(
    tmp_path: Path, vendor: Person, stranger: Person
) -> None:
    tree = tmp_path / "tree"
    tree.mkdir()
    (tree / "InRelease").write_bytes(stranger.clear_sign(b"evil\n") + vendor.clear_sign(TEXT))
    assert states(tree, tmp_path, vendor.public()) == {"InRelease": State.UNREADABLE}


def test_without_pinned_keys_each_signature_is_named_and_none_is_judged(
    repository: Path, vendor: Person
) -> None:
    sign(repository, vendor)
    (repository / "plant.asc").write_bytes(vendor.public())
    (repository / "SHA256SUMS").write_bytes(b"no signature\n")
    assert check(repository, None) == {"InRelease": None, "Release.gpg": None}
