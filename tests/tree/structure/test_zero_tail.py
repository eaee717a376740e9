"""Zeros at the end of files, on real ones with holes and without."""

from __future__ import annotations

import os
import tempfile
from typing import TYPE_CHECKING

import pytest

from depotserve.tree.zero_tail import suspicious, zero_tail

if TYPE_CHECKING:
    from pathlib import Path

MIB = 1024 * 1024


def tail_of(path: Path, size: int | None = None) -> int:
    descriptor = os.open(path, os.O_RDONLY)
    try:
        return zero_tail(descriptor, os.fstat(descriptor).st_size if size is None else size)
    finally:
        os.close(descriptor)


@pytest.mark.parametrize("zeros", [0, 1, 4095, 4096, 4097, MIB, MIB + 4096, 3 * MIB + 7])
@pytest.mark.parametrize("before", [b"", b"x", b"\0" * 5000 + b"x", b"x" * (2 * MIB)])
def test_zeros_at_the_end_are_counted_to_the_byte(
    zeros: int, before: bytes, tmp_path: Path
) -> None:
    path = tmp_path / "f"
    path.write_bytes(before + bytes(zeros))
    assert tail_of(path) == zeros


def test_holes_are_counted_without_being_read(tmp_path: Path) -> None:
    path = tmp_path / "f"
    with path.open("wb") as stream:
        stream.write(b"x" * 10000)
        stream.truncate(4 << 40)  # 4 TiB, which nobody reads within a test
    assert tail_of(path) == (4 << 40) - 10000


def test_space_set_aside_is_counted(tmp_path: Path) -> None:
    path = tmp_path / "f"
    with path.open("wb") as stream:
        os.posix_fallocate(stream.fileno(), 0, 8 * MIB)
        stream.write(b"x" * 3 * MIB)
    assert tail_of(path) == 5 * MIB


def test_a_file_that_became_shorter_ends_in_no_zeros() -> None:
    with tempfile.NamedTemporaryFile() as stream:
        stream.write(bytes(5000))
        stream.flush()
        assert zero_tail(stream.fileno(), 3 * MIB) <= 3 * MIB


@pytest.mark.parametrize(
    ("name", "size", "zeros", "is_found"),
    [
        (b"update.pkg", 8 * MIB, 5 * MIB, True),
        (b"update.pkg", 8 * MIB, 1 * MIB, False),  # may be padding
        (b"update.pkg", 2 * MIB, MIB - 1, False),
        (b"setup.exe", 900 * MIB, MIB, True),
        (b"SETUP.MSI", 900 * MIB, MIB, True),
        (b"disk.img", 900 * MIB, 800 * MIB, False),
        (b"disk.vmdk", 900 * MIB, 800 * MIB, False),
        (b"disk.img", 900 * MIB, 900 * MIB, True),
        (b"x.iso", 8 * MIB, 300 * 1024, False),  # what discs are padded with
        (b"x.iso", 800 * MIB, 300 * MIB, True),
        (b"empty", 0, 0, False),
    ],
)
def test_a_tail_is_suspicious_by_its_size_its_share_and_the_name(
    name: bytes, size: int, zeros: int, is_found: bool
) -> None:
    assert bool(suspicious(name, size, zeros)) is is_found


def test_the_words_say_how_much() -> None:
    assert suspicious(b"a", 4 * MIB, MIB) == "its last 1048576 bytes are zeros"
    assert suspicious(b"a", MIB, MIB) == "it is zeros throughout"
