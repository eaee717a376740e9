"""Zip archives (APPNOTE.TXT), made by Info-ZIP, the JDK and the standard library."""

from __future__ import annotations

import contextlib
import io
import shutil
import struct
import zipfile
from typing import TYPE_CHECKING, Any, Callable

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


def made(fill: Callable[[zipfile.ZipFile], Any], **options: Any) -> bytes:
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w", **options) as archive:
        fill(archive)
    return buffer.getvalue()


def two_members(archive: zipfile.ZipFile) -> None:
    archive.writestr("setpoints.csv", b"stage;bar\n1;58\n" * 40, zipfile.ZIP_DEFLATED)
    archive.writestr("logo.bin", bytes(range(256)), zipfile.ZIP_STORED)


PLAIN = made(two_members)


@pytest.mark.parametrize("tool", ["zip", "jar"])
def test_archives_of_the_usual_tools_are_clean_and_each_cut_of_them_is_found(
    tool: str, tmp_path: Path
) -> None:
    root = sample(tmp_path)
    options = ("-qr",) if tool == "zip" else ("cf",)
    run(tool, *options, tmp_path / "x.zip", root.name, cwd=tmp_path)
    assert is_clean(look_at(tmp_path / "x.zip"), "zip")
    data = (tmp_path / "x.zip").read_bytes()
    assert not_found_when_cut(data, b"x.zip") == []


def test_an_archive_written_to_a_pipe_has_its_sizes_behind_each_member(tmp_path: Path) -> None:
    root = sample(tmp_path)
    data = run("zip", "-qr", "-", root.name, cwd=tmp_path)
    assert is_clean(look(data, b"x.zip"), "zip")
    assert not_found_when_cut(data, b"x.zip") == []


def test_every_cut_of_a_small_archive_is_found() -> None:
    assert not_found_when_cut(PLAIN, b"x.zip", len(PLAIN)) == []


def test_every_cut_is_found_under_any_name_once_its_first_four_bytes_are_there() -> None:
    for data in (PLAIN, made(lambda _: None)):
        assert not_found_when_cut(data, b"x", len(data)) == [0, 1, 2, 3]


def test_a_changed_byte_in_a_member_is_found() -> None:
    with zipfile.ZipFile(io.BytesIO(PLAIN)) as archive:
        starts = [
            (one.header_offset + 30 + len(one.filename), one.compress_size)
            for one in archive.infolist()
        ]
    for start, size in starts:
        for at in range(start, start + size):
            damaged = flipped(PLAIN, at)
            # Bits that fill up the last byte may be anything.
            assert look(damaged).wrong or contents(damaged) == contents(PLAIN), at


def test_what_is_wrong_is_said_in_words() -> None:
    assert look(PLAIN[:-5]).wrong == "the directory of its files is missing: it is cut short"
    stored = PLAIN.index(bytes(range(256)))
    assert look(flipped(PLAIN, stored)).wrong == (
        "the member logo.bin is damaged: its CRC is wrong"
    )


def with_comment(archive: zipfile.ZipFile) -> None:
    two_members(archive)
    archive.comment = b"PK\5\6 is what an end record begins with" * 100


def with_folder(archive: zipfile.ZipFile) -> None:
    two_members(archive)
    archive.writestr(zipfile.ZipInfo("manuals/"), b"")


def with_wide_sizes(archive: zipfile.ZipFile) -> None:
    with archive.open("wide.bin", "w", force_zip64=True) as member:
        member.write(b"x" * 1000)


@pytest.mark.parametrize(
    "data",
    [
        made(lambda _: None),
        made(with_comment),
        made(with_folder),
        made(with_wide_sizes),
        b"MZ\x90 a program that unpacks itself" * 50 + PLAIN,
        b"#!/bin/sh\nexit 0\n" + PLAIN,
        PLAIN + b"a signature that somebody appended",
    ],
    ids=["empty", "comment", "folder", "zip64 member", "program", "script", "appended"],
)
def test_odd_but_valid_archives_are_clean(data: bytes) -> None:
    assert is_clean(look(data, b"x.zip"), "zip")


@pytest.mark.slow
def test_an_archive_of_more_than_65535_members_is_walked_and_each_lost_entry_found() -> None:
    def fill(archive: zipfile.ZipFile) -> None:
        for number in range(65600):
            archive.writestr(str(number), b"")

    data = made(fill)
    assert is_clean(look(data), "zip")
    end = data.rindex(b"PK\6\6")
    fewer = data[: end + 32] + struct.pack("<Q", 65599) + data[end + 40 :]
    assert "65600 entries" in (look(fewer).wrong or "")


def test_a_member_past_four_gib_has_its_place_in_64_bits(tmp_path: Path) -> None:
    path = tmp_path / "x.zip"
    with path.open("wb") as stream:
        stream.write(made(two_members))
    # The archive is moved to behind 5 GiB of program, which zipfile writes Zip64 records for.
    with path.open("wb") as stream:
        stream.write(b"MZ")
        stream.truncate(5 << 30)
        stream.seek(5 << 30)
        with zipfile.ZipFile(stream, "w") as archive:
            two_members(archive)
    assert is_clean(look_at(path), "zip")


def test_the_directory_of_an_archive_within_is_not_taken_for_that_of_the_whole() -> None:
    # Applications for the JVM hold their libraries as stored archives.
    whole = made(lambda archive: archive.writestr("lib/inner.jar", PLAIN))
    cut = whole.index(PLAIN) + len(PLAIN)
    for length in range(cut, cut + 60):
        assert look(whole[:length], b"x.jar").wrong


def test_an_encrypted_archive_is_walked_but_its_content_is_said_to_be_unchecked(
    tmp_path: Path,
) -> None:
    root = sample(tmp_path)
    run("zip", "-qr", "-P", "brine", tmp_path / "x.zip", root.name, cwd=tmp_path)
    found = look_at(tmp_path / "x.zip")
    assert found.wrong is None
    assert "encrypted" in (found.unwalked or "")
    data = (tmp_path / "x.zip").read_bytes()
    assert not_found_when_cut(data, b"x.zip") == []


def test_a_member_packed_in_another_way_is_said_to_be_unchecked() -> None:
    data = made(lambda archive: archive.writestr("a", b"a" * 500, zipfile.ZIP_LZMA))
    assert look(data).unwalked == "members are packed by method 14: their content was not checked"


def test_a_volume_of_several_is_not_called_cut_short(tmp_path: Path) -> None:
    root = sample(tmp_path)
    (root / "large").write_bytes(bytes(range(256)) * 20)
    shutil.copyfile(root / "pumps" / "firmware.bin", root / "second")
    noise = b"".join(struct.pack("<d", n**0.5) for n in range(20000))
    (root / "noise").write_bytes(noise)
    run("zip", "-qr", "-0", "-s", "64k", tmp_path / "x.zip", root.name, cwd=tmp_path)
    for path in (tmp_path / "x.zip", tmp_path / "x.z01"):
        found = look_at(path)
        assert (found.wrong, bool(found.unwalked)) == (None, True)


def test_pieces_that_an_archive_was_cut_into_are_not_called_cut_short() -> None:
    for name in (b"x.zip.001", b"x.zip.aa", b"x.zip.part1"):
        found = look(PLAIN[:200], name)
        assert (found.wrong, found.unwalked) == (None, "it is one of several pieces: not walked")


def test_members_that_lie_over_each_other_are_found() -> None:
    data = made(lambda archive: archive.writestr("a", b"\0" * 5000, zipfile.ZIP_STORED))
    end = data.rindex(b"PK\5\6")
    start = data.index(b"PK\1\2")
    entry = data[start:end]
    count = struct.pack("<2H", 9, 9) + struct.pack("<2I", 9 * len(entry), start)
    twice = data[:start] + entry * 9 + data[end : end + 8] + count + b"\0\0"
    assert look(twice).wrong == "its members lie over each other"


def test_a_changed_byte_of_the_directory_is_found_or_changes_no_name_and_no_content() -> None:
    # Times, versions and attributes have no sum.
    start = PLAIN.index(b"PK\1\2")
    missed = [at for at in not_found_when_flipped(PLAIN, b"x.zip", len(PLAIN)) if at >= start]
    assert missed
    for at in missed:
        # A version that is needed to unpack, which zipfile does not know.
        with contextlib.suppress(NotImplementedError):
            assert contents(flipped(PLAIN, at)) == contents(PLAIN), at


def contents(data: bytes) -> dict[str, bytes]:
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        return {name: archive.read(name) for name in archive.namelist()}
