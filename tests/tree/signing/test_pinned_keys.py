"""The folder of pinned keys; gpg tells fingerprints and expiry of the same keys."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

import issuing
import pytest
import signing_kit
from cryptography.hazmat.primitives.asymmetric import rsa
from cryptography.hazmat.primitives.serialization import Encoding, NoEncryption, PrivateFormat
from signing_kit import load, pin

from depotserve.errors import CallerError, SurroundingsError

if TYPE_CHECKING:
    from pathlib import Path

    from signing_kit import Person


@pytest.fixture
def tree(tmp_path: Path) -> Path:
    (tmp_path / "tree").mkdir()
    return tmp_path / "tree"


@pytest.fixture
def keys(tmp_path: Path) -> Path:
    (tmp_path / "keys").mkdir()
    return tmp_path / "keys"


def test_keys_are_described_as_gpg_and_openssl_describe_them(
    tree: Path, keys: Path, vendor: Person, builder: Person, expired: Person
) -> None:
    certificate = issuing.issue("release desk")
    folder = keys / "intake works"
    pin(folder, one_asc=vendor.public() + builder.public(), two_crt=certificate.der)
    pin(keys, pumps_gpg=expired.public(armour=False))
    found = {row["fingerprint"]: row for row in load(keys, tree).describe()}
    listed = signing_kit.gpg(vendor.home, "--with-colons", "--list-keys").decode()
    rows = re.findall(r"^pub:[^:]*:(?:[^:]*:){4}([^:]*):.*\nfpr:{9}(\w+):", listed, re.MULTILINE)
    expiry = {name: int(seconds) if seconds else None for seconds, name in rows}
    for person, name in ((vendor, "intake works"), (builder, "intake works"), (expired, "pumps")):
        row = found[person.fingerprint]
        assert (row["vendor"], row["kind"], row["revoked"]) == (name, "OpenPGP", False)
        assert row["expires"] == expiry[person.fingerprint]
    assert found[expired.fingerprint]["expires"] is not None
    words = ["x509", "-inform", "DER", "-noout", "-fingerprint", "-sha256"]
    printed = issuing.openssl(*words, stdin=certificate.der).decode()
    name = printed.partition("=")[2].strip().replace(":", "")
    assert (found[name]["vendor"], found[name]["kind"]) == ("intake works", "X.509")
    assert len(found) == 4


def test_a_key_of_two_files_of_a_vendor_counts_once(tree: Path, keys: Path, vendor: Person) -> None:
    pin(keys / "plant", a_asc=vendor.public(), b_pgp=vendor.public(armour=False))
    assert len(load(keys, tree).describe()) == 1


def refusal(keys: Path, tree: Path) -> str:
    with pytest.raises(CallerError) as raised:
        load(keys, tree)
    assert "\n" not in str(raised.value)
    return str(raised.value)


def test_a_key_for_two_vendors_or_in_two_states_is_refused(
    tree: Path, keys: Path, gnupg_home: Path
) -> None:
    somebody = signing_kit.person(gnupg_home, "twice")
    pin(keys, a_asc=somebody.public(), b_asc=somebody.public())
    assert "two vendors, a and b" in refusal(keys, tree)
    (keys / "b.asc").unlink()
    (keys / "a.asc").unlink()
    pin(keys / "a", old_asc=somebody.public())
    somebody.revoke()
    pin(keys / "a", new_asc=somebody.public())
    assert "in two states" in refusal(keys, tree)


def test_a_revocation_without_its_key_is_refused(tree: Path, keys: Path, vendor: Person) -> None:
    pin(keys / "plant", key_asc=vendor.public(), revocation_asc=vendor.revocation())
    assert "revocation.asc: holds a signature without its key" in refusal(keys, tree)


def test_private_keys_are_refused(tree: Path, keys: Path, vendor: Person) -> None:
    made = rsa.generate_private_key(public_exponent=65537, key_size=2048)
    pem, der = (
        made.private_bytes(form, PrivateFormat.PKCS8, NoEncryption())
        for form in (Encoding.PEM, Encoding.DER)
    )
    private = vendor.private()
    binary = signing_kit.gpg(vendor.home, "--export-secret-keys", vendor.fingerprint)
    cases = {"plant_asc": private, "plant_gpg": binary, "plant_pem": pem, "plant_der": der}
    cases["other_pem"] = issuing.issue("desk").pem + pem
    for name, content in cases.items():
        pin(keys, **{name: content})
        said = refusal(keys, tree)
        assert "private key" in said
        assert name.replace("_", ".") in said
        (keys / name.replace("_", ".")).unlink()


@pytest.mark.parametrize(
    ("name", "content", "word"),
    [
        ("plant.asc", b"", "empty"),
        ("plant.pem", b" \n", "empty"),
        ("plant.txt", b"x", "no file of keys"),
        (".DS_Store", b"x", "no file of keys"),
        ("plant.asc", b"hello\n", "no OpenPGP key"),
        ("plant.gpg", b"\x99\x01", "cut short"),
        ("plant.gpg", b"\xcb\x01\0", "other than public keys"),
        ("plant.gpg", b"\xc6\x06\x03\0\0\0\0\0", "version 3"),
        ("plant.gpg", b"\xc6\x06\x06\0\0\0\0\0", "version 6"),
        ("plant.pem", b"hello\n", "no certificate"),
        ("plant.crt", b"\x30\x82\x01\0", "no certificate"),
        ("plant.pem", b"-----BEGIN CERTIFICATE-----\nAAAA\n-----END CERTIFICATE-----\n", "no cert"),
        ("plant.pem", b"-----BEGIN X509 CRL-----\nAAAA\n-----END X509 CRL-----\n", "other than"),
    ],
)
def test_any_other_file_is_refused_by_its_name(
    name: str, content: bytes, word: str, tree: Path, keys: Path
) -> None:
    (keys / name).write_bytes(content)
    said = refusal(keys, tree)
    assert word in said
    assert name in said


def test_a_file_that_cannot_be_read_or_a_folder_too_deep_is_refused(
    tree: Path, keys: Path, vendor: Person
) -> None:
    (keys / "plant" / "deeper.asc").mkdir(parents=True)
    with pytest.raises(SurroundingsError, match=r"deeper\.asc: Is a directory"):
        load(keys, tree)
    (keys / "plant" / "deeper.asc").rmdir()
    (keys / "plant" / "gone.asc").symlink_to("nowhere")
    with pytest.raises(SurroundingsError, match=r"gone\.asc"):
        load(keys, tree)
    (keys / "plant" / "gone.asc").unlink()
    assert "holds no keys" in refusal(keys, tree)
    pin(keys, plant_asc=vendor.public() + b"\0" * 9_000_000)
    assert "longer than" in refusal(keys, tree)
    assert "no folder of keys" in refusal(keys / "nowhere", tree)


def test_keys_that_came_with_the_tree_are_refused_by_any_way(
    tree: Path, keys: Path, tmp_path: Path, vendor: Person
) -> None:
    pin(tree / "keys", plant_asc=vendor.public())
    assert "prove nothing" in refusal(tree / "keys", tree)
    assert "prove nothing" in refusal(tree, tree)
    (tmp_path / "by").symlink_to(tree / "keys")
    assert "prove nothing" in refusal(tmp_path / "by", tree)
    (keys / "plant.asc").symlink_to(tree / "keys" / "plant.asc")
    assert "prove nothing" in refusal(keys, tree)
    (keys / "plant.asc").unlink()
    (keys / "plant").symlink_to(tree / "keys")
    assert "prove nothing" in refusal(keys, tree)
