"""Tar archives (POSIX.1-2024 pax; GNU tar), made by GNU tar and the standard library."""

from __future__ import annotations

import hashlib
import io
import os
import tarfile
from typing import TYPE_CHECKING

import pytest
from archives_kit import flipped, is_clean, look, look_at, not_found_when_cut, run, sample

if TYPE_CHECKING:
    from pathlib import Path

FORMATS = ["v7", "oldgnu", "gnu", "ustar", "pax"]


def made(members: dict[str, bytes], form: int = tarfile.USTAR_FORMAT) -> bytes:
    buffer = io.BytesIO()
    with tarfile.open(fileobj=buffer, mode="w", format=form) as archive:
        for name, content in members.items():
            member = tarfile.TarInfo(name)
            member.size = len(content)
            archive.addfile(member, io.BytesIO(content))
    return buffer.getvalue()


def content_of(data: bytes) -> int:
    """Give where the content ends and the end mark begins."""
    return len(data.rstrip(b"\0")) + -len(data.rstrip(b"\0")) % 512


@pytest.mark.parametrize("form", FORMATS)
def test_each_format_of_gnu_tar_is_clean_and_each_cut_before_its_padding_is_found(
    form: str, tmp_path: Path
) -> None:
    root = sample(tmp_path)
    data = run("tar", f"--format={form}", "-cf", "-", root.name, cwd=tmp_path)
    assert is_clean(look(data, b"x.tar"), "tar")
    whole = content_of(data) + 1024
    assert not_found_when_cut(data[:whole], b"x.tar", 400) == []
    # The rest pads the archive to a record of 10 KiB, and nothing is lost with it.
    assert is_clean(look(data[:whole], b"x.tar"), "tar")


@pytest.mark.parametrize("form", ["gnu", "pax"])
def test_long_names_and_sparse_members_are_walked(form: str, tmp_path: Path) -> None:
    root = sample(tmp_path)
    deep = root.joinpath(*["membranes" * 10] * 4)
    deep.mkdir(parents=True)
    (deep / ("ü" * 100)).write_bytes(b"long")
    with (root / "sparse.img").open("wb") as stream:
        for place in range(0, 40 << 20, 1 << 20):
            stream.seek(place)
            stream.write(b"data")
        stream.truncate(64 << 20)
    data = run("tar", f"--format={form}", "-S", "-cf", "-", root.name, cwd=tmp_path)
    assert len(data) < 4 << 20
    assert is_clean(look(data), "tar")
    assert not_found_when_cut(data[: content_of(data) + 1024], b"x.tar", 100) == []


def test_a_member_whose_size_is_past_octal_digits_is_walked(tmp_path: Path) -> None:
    for form in ("gnu", "pax"):
        with (tmp_path / "large").open("wb") as stream:
            stream.truncate(9 << 30)
        header = run("sh", "-c", f"tar --format={form} -cf - large | head -c 2048", cwd=tmp_path)
        with (tmp_path / "x.tar").open("wb") as stream:
            stream.write(header)
            place = (1536 if form == "pax" else 512) + (9 << 30)
            stream.truncate(place + 10240)
        assert is_clean(look_at(tmp_path / "x.tar"), "tar")
        os.truncate(tmp_path / "x.tar", place - 1)
        assert look_at(tmp_path / "x.tar").wrong == "it is cut short in the member large"


def test_extended_headers_of_the_standard_library_are_walked() -> None:
    buffer = io.BytesIO()
    with tarfile.open(fileobj=buffer, mode="w", pax_headers={"comment": "desalination"}) as archive:
        member = tarfile.TarInfo("ü" * 300)
        member.pax_headers = {"vendor.note": "1 size=9999999\n17 size=1234567\n"}
        member.size = 3
        archive.addfile(member, io.BytesIO(b"abc"))
    assert is_clean(look(buffer.getvalue()), "tar")


def test_an_empty_archive_is_clean_by_its_name() -> None:
    assert is_clean(look(made({}), b"x.tar"), "tar")
    assert is_clean(look(bytes(1024), b"x.tar"), "tar")
    assert look(bytes(1024), b"x").kind is None


def test_a_cut_between_two_members_is_found_by_the_missing_end_mark() -> None:
    data = made({"a": b"a" * 512, "b": b"b"})
    assert look(data[:1024]).wrong == "its end mark is missing: it is cut short"
    assert look(data[:2048]).wrong == "its end mark is missing: it is cut short"
    assert look(data[: 2048 + 512]).wrong == "it is cut short in its end mark"


def test_a_changed_bit_of_any_header_is_found_but_not_of_content_which_has_no_sum() -> None:
    data = made({"a": b"a" * 512, "b": b"b"})
    for at in [*range(148), *range(156, 512), *range(1024, 1172)]:
        assert look(flipped(data, at), b"x.tar").wrong, at
    assert look(flipped(data, 600), b"x.tar").wrong is None


def test_zeros_from_somewhere_on_are_found() -> None:
    data = made({"a": b"a" * 512, "b": b"b" * 512}) + bytes(5 << 20)
    cut = data[:1024] + bytes(len(data) - 1024)
    found = look(cut, b"x.tar")
    assert "on it is zeros to its end" in (found.wrong or "")


def test_archives_one_after_the_other_are_clean() -> None:
    assert is_clean(look(made({"a": b"a"}) + made({"b": b"b"})), "tar")


def test_a_lone_block_of_zeros_between_members_is_found() -> None:
    data = made({"a": b"a"})
    assert "zeros stand at byte 0" not in (look(data).wrong or "")
    broken = data[:1024] + bytes(512) + data
    assert look(broken).wrong == "zeros stand at byte 1024 instead of a header"


def appliance(**changes: bytes) -> bytes:
    """Make an appliance as DSP0243 has it: descriptor, manifest, disk, in this order."""
    members = {
        "historian.ovf": b"<Envelope/>",
        "historian-disk1.vmdk": b"disk" * 3000,
    }
    lines = [
        f"SHA256({name})= {hashlib.sha256(content).hexdigest()}\n"
        for name, content in members.items()
    ]
    manifest = changes.pop("manifest", "".join(lines).encode())
    for name, content in changes.items():
        members[f"historian{name.replace('_', '-').replace('-disk1', '-disk1.vmdk')}"] = content
    ordered = {
        "historian.ovf": members.pop("historian.ovf"),
        "historian.mf": manifest,
        **members,
    }
    return made(ordered)


def test_an_appliance_is_clean_and_each_cut_of_it_is_found() -> None:
    data = appliance()
    assert is_clean(look(data, b"historian.ova"), "ova")
    assert not_found_when_cut(data[: content_of(data) + 1024], b"historian.ova") == []


def test_an_appliance_whose_disk_changed_is_found_by_its_manifest() -> None:
    found = look(appliance(_disk1=b"disK" * 3000), b"historian.ova")
    assert found.wrong == "historian-disk1.vmdk in it is not what its manifest says"


@pytest.mark.parametrize("algorithm", ["SHA1", "SHA256", "SHA512"])
def test_each_algorithm_of_a_manifest_is_checked(algorithm: str) -> None:
    good = hashlib.new(algorithm, b"<Envelope/>").hexdigest()
    bad = hashlib.new(algorithm, b"<Envelope />").hexdigest()
    for digest, wrong in ((good, False), (bad, True)):
        manifest = f"{algorithm} (historian.ovf) = {digest}\r\n".encode()
        assert bool(look(appliance(manifest=manifest)).wrong) is wrong


def test_an_appliance_that_lacks_what_its_manifest_names_is_found() -> None:
    manifest = b"SHA1(historian-disk2.vmdk)= " + b"0" * 40
    assert look(appliance(manifest=manifest)).wrong == (
        "its manifest names historian-disk2.vmdk, which it does not hold"
    )


def test_a_manifest_that_cannot_be_read_is_said_to_be_unchecked() -> None:
    found = look(appliance(manifest=b"WHIRL(historian.ovf)= 00\n"))
    assert (found.wrong, found.unwalked) == (None, "its manifest could not be checked in full")
