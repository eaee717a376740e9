"""Signatures within rpm packages; rpm's own checker is the reference."""

from __future__ import annotations

import hashlib
import os
import shutil
import struct
import subprocess
from typing import TYPE_CHECKING

import harness
import pytest
import signing_kit
from signing_kit import check, load, pin

from depotserve.tree.authenticity import State, Verdict

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from signing_kit import Person

SPEC = """Name: pump
Version: 1
Release: 1
Summary: a part
License: none
BuildArch: noarch
%description
A part of the intake.
%install
mkdir -p %{buildroot}/opt
head -c 100000 /dev/zero > %{buildroot}/opt/pump.bin
%files
/opt/pump.bin
"""


@pytest.fixture(scope="session")
def unsigned(tmp_path_factory: pytest.TempPathFactory) -> Path:
    program = harness.need("rpmbuild")
    room = tmp_path_factory.mktemp("rpm")
    (room / "pump.spec").write_text(SPEC)
    words = [program, "-bb", "--define", f"_topdir {room}/top", "--define", f"_tmppath {room}"]
    subprocess.run(
        [*words, room / "pump.spec"], check=True, capture_output=True, timeout=200, cwd=room
    )
    (made,) = (room / "top").rglob("*.rpm")
    return made


def sign(package: Path, person: Person, *options: str) -> None:
    program = harness.need("rpmsign")
    defined = {"_gpg_name": person.fingerprint, "_gpg_path": person.home}
    defined["__gpg"] = shutil.which("gpg")
    words = [program, "--addsign", *options]
    for name, value in defined.items():
        words += ["--define", f"{name} {value}"]
    done = subprocess.run([*words, package], capture_output=True, check=False, timeout=120)
    assert done.returncode == 0, done.stderr.decode()


@pytest.fixture
def tree(tmp_path: Path, unsigned: Path) -> Path:
    (tmp_path / "tree").mkdir()
    shutil.copy(unsigned, tmp_path / "tree" / "pump.rpm")
    return tmp_path / "tree"


def verdict(tree: Path, tmp_path: Path, key: bytes) -> Verdict | None:
    return check(tree, load(pin(tmp_path / "keys", plant_asc=key), tree)).get("pump.rpm")


def rpm_says(package: Path, key: bytes, room: Path) -> bool:
    """Ask rpm itself whether digests and signatures are right."""
    program = harness.need("rpmkeys")
    room.mkdir(exist_ok=True)
    (room / "key.asc").write_bytes(key)
    words = [program, "--dbpath", room / "db"]
    subprocess.run([*words, "--import", room / "key.asc"], check=True, timeout=60)
    options = ["--define", "_pkgverify_level all", "--checksig", package]
    done = subprocess.run([*words, *options], check=False, timeout=60, capture_output=True)
    return done.returncode == 0


def test_a_package_signed_by_a_pinned_key_is_good(
    tree: Path, tmp_path: Path, builder: Person
) -> None:
    assert verdict(tree, tmp_path, builder.public()) is None
    sign(tree / "pump.rpm", builder)
    found = verdict(tree, tmp_path, builder.public())
    assert (found.state, found.vendor, found.fingerprint) == (
        State.GOOD,
        "plant",
        builder.fingerprint,
    )
    assert found.sha256 == hashlib.sha256((tree / "pump.rpm").read_bytes()).digest()
    assert rpm_says(tree / "pump.rpm", builder.public(), tmp_path / "db")
    assert check(tree, None) == {"pump.rpm": None}


def test_a_package_signed_over_header_and_payload_in_the_older_way_is_good(
    tree: Path, tmp_path: Path, builder: Person
) -> None:
    sign(tree / "pump.rpm", builder, "--rpmv3")
    assert verdict(tree, tmp_path, builder.public()).state is State.GOOD


@pytest.mark.parametrize("options", [(), ("--rpmv3",)])
@pytest.mark.parametrize("where", [-1, -500, "header"])
def test_one_flipped_bit_in_header_or_payload_makes_it_bad(
    options: tuple[str, ...], where: int | str, tree: Path, tmp_path: Path, builder: Person
) -> None:
    sign(tree / "pump.rpm", builder, *options)
    content = bytearray((tree / "pump.rpm").read_bytes())
    at = content.rindex(b"A part of the intake") if where == "header" else int(where)
    content[at] ^= 1
    (tree / "pump.rpm").write_bytes(content)
    found = verdict(tree, tmp_path, builder.public())
    assert (found.state, found.vendor) == (State.BAD, "plant")
    assert not rpm_says(tree / "pump.rpm", builder.public(), tmp_path / "db")


def test_bytes_after_the_payload_make_it_bad(tree: Path, tmp_path: Path, builder: Person) -> None:
    sign(tree / "pump.rpm", builder)
    with open(tree / "pump.rpm", "ab") as stream:
        stream.write(b"evil")
    assert verdict(tree, tmp_path, builder.public()).state is State.BAD


def test_a_package_signed_by_a_stranger_is_unknown(
    tree: Path, tmp_path: Path, builder: Person, gnupg_home: Path
) -> None:
    other = signing_kit.person(gnupg_home, "otherbuilder", kind="rsa2048")
    sign(tree / "pump.rpm", other)
    assert verdict(tree, tmp_path, builder.public()).state is State.UNKNOWN_KEY
    assert not rpm_says(tree / "pump.rpm", builder.public(), tmp_path / "db")


def test_a_cut_package_cannot_be_used(tree: Path, tmp_path: Path, builder: Person) -> None:
    sign(tree / "pump.rpm", builder)
    content = (tree / "pump.rpm").read_bytes()
    (tree / "pump.rpm").write_bytes(content[:3000])
    assert verdict(tree, tmp_path, builder.public()).state is State.UNREADABLE
    (tree / "pump.rpm").write_bytes(content[:-100])
    assert verdict(tree, tmp_path, builder.public()).state is State.BAD


@pytest.mark.parametrize(
    "change",
    [
        # The region's trailer claims fewer entries than there are: what follows would be unsigned.
        lambda header: header[:-8] + struct.pack(">i", -16) + header[-4:],
        lambda header: header[:16] + struct.pack(">i", 62) + header[20:],
    ],
)
def test_a_header_that_is_signed_in_part_alone_cannot_be_used(
    change: Callable[[bytes], bytes], tree: Path, tmp_path: Path, builder: Person
) -> None:
    sign(tree / "pump.rpm", builder)
    content = (tree / "pump.rpm").read_bytes()
    start = content.rindex(b"\x8e\xad\xe8\x01\0\0\0\0")
    count, size = struct.unpack(">II", content[start + 8 : start + 16])
    end = start + 16 + 16 * count + size
    header = content[start : start + 16 + 16 * count + size]
    # The trailer stands at the end of the data.
    assert header[-16:-12] == struct.pack(">i", 63)
    (tree / "pump.rpm").write_bytes(content[:start] + change(header) + content[end:])
    found = verdict(tree, tmp_path, builder.public())
    assert found.state is State.UNREADABLE
    assert os.fsencode("covers a part") in found.detail.encode()
