"""Images of optical discs: ISO 9660 (ECMA-119) and UDF (ECMA-167), made by two usual tools."""

from __future__ import annotations

import struct
from typing import TYPE_CHECKING

import pytest
from archives_kit import flipped, is_clean, look, not_found_when_cut, run, sample

if TYPE_CHECKING:
    from pathlib import Path

SECTOR = 2048
PARTITION = b"\5\0\2\0"  # the tag that a partition descriptor begins with: ECMA-167, 3/7.2


def image(folder: Path, *command: str) -> bytes:
    root = sample(folder)
    run(*command, "-o", folder / "x.iso", root)
    return (folder / "x.iso").read_bytes()


@pytest.mark.parametrize(
    "command",
    [
        ("xorriso", "-as", "mkisofs", "-R", "-J"),
        ("xorriso", "-as", "mkisofs", "-no-pad"),
        ("xorriso", "-as", "mkisofs", "-isohybrid-gpt-basdat", "-partition_offset", "16"),
        ("genisoimage",),
        ("genisoimage", "-R", "-J", "-no-pad"),
        ("genisoimage", "-R", "-J", "-udf"),
    ],
    ids=" ".join,
)
def test_an_image_is_clean_longer_or_not_and_each_cut_of_it_is_found(
    command: tuple[str, ...], tmp_path: Path
) -> None:
    data = image(tmp_path, *command)
    assert is_clean(look(data, b"x.iso"), "iso9660")
    assert is_clean(look(data + bytes(300 * 1024), b"x.iso"), "iso9660")
    assert not_found_when_cut(data, b"x.iso", 100) == []


def test_a_cut_image_is_found_under_any_name_once_its_first_descriptor_is_there(
    tmp_path: Path,
) -> None:
    data = image(tmp_path, "genisoimage", "-R")
    missed = not_found_when_cut(data, b"x", 300)
    assert missed
    assert max(missed) < 16 * SECTOR + 6


def test_a_damaged_descriptor_is_found(tmp_path: Path) -> None:
    data = image(tmp_path, "genisoimage", "-R")
    primary = 16 * SECTOR
    # Number of blocks, size of a block, of the path table, the root folder (ECMA-119, 8.4).
    for place in (*range(80, 88), *range(128, 140), *range(158, 174)):
        assert look(flipped(data, primary + place), b"x.iso").wrong, place


def udf_alone(data: bytes) -> bytes:
    """Leave the ISO 9660 part out of an image that has both."""
    begin = data.index(b"\0BEA01\1")
    sequence = data[begin : begin + 3 * SECTOR]
    return data[: 16 * SECTOR] + sequence + bytes(13 * SECTOR) + data[32 * SECTOR :]


def test_an_image_of_udf_alone_is_clean_and_each_cut_of_it_is_found(tmp_path: Path) -> None:
    data = udf_alone(image(tmp_path, "genisoimage", "-udf", "-no-pad"))
    assert is_clean(look(data, b"x.iso"), "udf")
    missed = not_found_when_cut(data, b"x.iso", 100)
    # The last sectors may lie behind the partition: a copy of the anchor.
    assert all(cut > len(data) - 160 * SECTOR for cut in missed)
    assert not_found_when_cut(data[: len(data) // 2], b"x.iso", 100) == []


def test_a_cut_of_the_udf_part_is_found_where_the_iso_part_covers_little(tmp_path: Path) -> None:
    data = image(tmp_path, "genisoimage", "-udf")
    # Descriptors begin sectors; elsewhere these four bytes are content.
    sectors = range(0, len(data), SECTOR)
    partition = next(at for at in sectors if data.startswith(PARTITION, at))
    start, count = struct.unpack_from("<2I", data, partition + 188)
    blocks = start.to_bytes(4, "little") + start.to_bytes(4, "big")
    bridged = data[: 16 * SECTOR + 80] + blocks + data[16 * SECTOR + 88 :]
    assert is_clean(look(bridged), "iso9660")
    cut = bridged[: (start + count - 1) * SECTOR]
    assert "its UDF part ends" in (look(cut).wrong or "")


def test_an_image_of_which_the_descriptors_are_zeros_is_found(tmp_path: Path) -> None:
    data = image(tmp_path, "genisoimage", "-R")
    assert look(bytes(len(data)), b"x.iso").wrong == (
        "named .iso, but it is no iso (begins with zeros)"
    )
