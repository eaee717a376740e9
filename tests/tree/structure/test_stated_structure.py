"""Formats that state their own length: 7z, cabinet files, SquashFS, byte by byte as specified."""

from __future__ import annotations

import struct
import zlib

import pytest
from archives_kit import flipped, look, not_found_when_cut

PACKED, LAST = b"packed streams" * 9, b"\x01\x04\x06 and so on"


def seven_zip(packed: bytes = PACKED, last: bytes = LAST) -> bytes:
    """Make the outside of a 7z archive: 7zFormat.txt, "SignatureHeader"."""
    start = struct.pack("<QQI", len(packed), len(last), zlib.crc32(last))
    signature = b"7z\xbc\xaf\x27\x1c\0\4" + struct.pack("<I", zlib.crc32(start))
    return signature + start + packed + last


def cabinet() -> bytes:
    """Make the outside of a cabinet file: [MS-CAB] section 2.1, CFHEADER."""
    return struct.pack("<4s4xI4x", b"MSCF", 300) + bytes(284)


def squashfs() -> bytes:
    """Make the outside of an image: superblock of version 4, bytes used at 40."""
    head = struct.pack("<4s24x2H8xQ", b"hsqs", 4, 0, 3000)
    return head + bytes(4096 - len(head))


@pytest.mark.parametrize(
    ("data", "kind"), [(seven_zip(), "7z"), (cabinet(), "cab"), (squashfs(), "squashfs")]
)
def test_a_whole_one_is_not_wrong_and_says_that_its_content_was_not_checked(
    data: bytes, kind: str
) -> None:
    found = look(data)
    assert (found.kind, found.wrong) == (kind, None)
    assert found.unwalked == "its files are not unpacked: their content was not checked"


def test_each_cut_of_them_is_found() -> None:
    assert not_found_when_cut(seven_zip(), b"x.7z") == []
    assert not_found_when_cut(cabinet(), b"x.cab", 300) == []
    assert [cut for cut in not_found_when_cut(squashfs(), b"x", 4096) if cut > 3] == [
        *range(3000, 4096)
    ]


def test_a_changed_bit_of_either_header_of_7z_is_found() -> None:
    data = seven_zip()
    places = [*range(6), *range(8, 32), *range(len(data) - len(LAST), len(data))]
    assert [at for at in places if not look(flipped(data, at), b"x.7z").wrong] == []


def test_an_empty_7z_is_whole_and_one_that_was_never_finished_is_not() -> None:
    assert look(seven_zip(b"", b"")).wrong is None
    assert look(b"7z\xbc\xaf\x27\x1c\0\4" + bytes(500)).wrong == "its first header is damaged"
