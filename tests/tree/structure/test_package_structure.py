"""Packages: rpm made by rpmbuild, deb made by dpkg-deb, and other files of the ar format."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest
from archives_kit import (
    flipped,
    is_clean,
    look,
    look_at,
    not_found_when_cut,
    not_found_when_flipped,
    run,
    sample,
)

if TYPE_CHECKING:
    from pathlib import Path

SPEC = """\
Name: intake
Version: 1
Release: 1
Summary: Set points of the intake
License: MIT
BuildArch: noarch
%description
Set points of the intake of a desalination plant.
%install
mkdir -p %{buildroot}/opt
cp -r {root} %{buildroot}/opt/intake
%files
/opt/intake
"""
CONTROL = """\
Package: intake
Version: 1
Architecture: all
Maintainer: Operations <operations@plant.example>
Description: Set points of the intake
"""


def rpm(folder: Path, *definitions: str) -> bytes:
    root = sample(folder)
    (folder / "intake.spec").write_text(SPEC.replace("{root}", str(root)))
    options = [f"_topdir {folder}/build", f"_tmppath {folder}", *definitions]
    defined = [part for one in options for part in ("--define", one)]
    run("rpmbuild", "-bb", *defined, folder / "intake.spec")
    return next((folder / "build" / "RPMS" / "noarch").iterdir()).read_bytes()


def deb(folder: Path, *options: str) -> bytes:
    root = folder / "package"
    (root / "DEBIAN").mkdir(parents=True)
    (root / "DEBIAN" / "control").write_text(CONTROL)
    sample(root)
    run("dpkg-deb", "--root-owner-group", *options, "-b", root, folder / "x.deb")
    return (folder / "x.deb").read_bytes()


@pytest.mark.parametrize("payload", ["w9.gzdio", "w6.xzdio", "w19.zstdio", "w9.bzdio", "w6.lzdio"])
def test_an_rpm_is_clean_and_each_cut_and_change_of_it_is_found(
    payload: str, tmp_path: Path
) -> None:
    data = rpm(tmp_path, f"_binary_payload {payload}")
    assert is_clean(look(data, b"intake.rpm"), "rpm")
    assert not_found_when_cut(data, b"intake.rpm") == []
    missed = not_found_when_flipped(data, b"intake.rpm", 400)
    # Nothing sums up the lead, which nobody reads, and the signature header, with its room for
    # signatures to come.
    header = data.index(b"\x8e\xad\xe8\x01", 100)
    assert all(at < header for at in missed)


def test_a_source_rpm_is_clean(tmp_path: Path) -> None:
    rpm(tmp_path)
    options = ("--define", f"_topdir {tmp_path}/build", "-bs", tmp_path / "intake.spec")
    run("rpmbuild", *options)
    data = next((tmp_path / "build" / "SRPMS").iterdir()).read_bytes()
    assert is_clean(look(data, b"intake.src.rpm"), "rpm")


def test_an_rpm_says_what_is_wrong(tmp_path: Path) -> None:
    data = rpm(tmp_path)
    assert "it is cut short: header and payload should have" in (look(data[:-1]).wrong or "")
    assert "it is longer than it says" in (look(data + b"\0").wrong or "")
    assert look(flipped(data, len(data) - 9)).wrong == "its payload is not what its header says"


@pytest.mark.parametrize("packed", ["gzip", "xz", "zstd"])
def test_a_deb_is_clean_and_each_cut_and_change_of_it_is_found(packed: str, tmp_path: Path) -> None:
    data = deb(tmp_path, f"-Z{packed}")
    assert is_clean(look(data, b"intake.deb"), "deb")
    # An ar member of odd size is padded by a byte, with which nothing is lost.
    assert set(not_found_when_cut(data, b"intake.deb")) <= {len(data) - 1}
    # What is not found changes nothing: times in headers, bits that fill up a byte.
    for at in not_found_when_flipped(data, b"intake.deb", 300):
        (tmp_path / "y.deb").write_bytes(flipped(data, at))
        if at >= FIRST_MEMBER and not look_at(tmp_path / "y.deb").unwalked:
            assert tars_in(tmp_path / "y.deb") == tars_in(tmp_path / "x.deb"), at


FIRST_MEMBER = 8 + 60 + 4  # bytes: the magic, and debian-binary, of which nothing is looked at


def tars_in(path: Path) -> list[bytes]:
    return [run("dpkg-deb", option, path) for option in ("--ctrl-tarfile", "--fsys-tarfile")]


def test_a_deb_that_is_not_compressed_is_walked(tmp_path: Path) -> None:
    data = deb(tmp_path, "-Znone")
    assert is_clean(look(data), "deb")
    assert not_found_when_cut(data, b"x.deb") == []


def test_a_deb_without_its_data_is_cut_short(tmp_path: Path) -> None:
    data = deb(tmp_path)
    assert look(data[: data.index(b"data.tar")]).wrong == "data.tar is missing: it is cut short"
    assert look(data[:8]).wrong is None  # an ar archive of nothing, by its content
    assert look(data[:8], b"x.deb").wrong


def test_other_files_of_the_ar_format_are_walked(tmp_path: Path) -> None:
    root = sample(tmp_path)
    run("ar", "rc", tmp_path / "x.a", root / "README", root / "pumps" / "firmware.bin")
    data = (tmp_path / "x.a").read_bytes()
    assert is_clean(look(data), "ar")
    assert look(data[:-1]).wrong == "it is cut short in the member firmware.bin"
