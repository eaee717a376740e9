"""Compressed files, made by their own tools: unpacked to the end, and the tar in them walked."""

from __future__ import annotations

import bz2
import gzip
import io
import lzma
import struct
import tarfile
from typing import TYPE_CHECKING

import pytest
from archives_kit import (
    flipped,
    is_clean,
    look,
    not_found_when_cut,
    not_found_when_flipped,
    run,
    sample,
)

if TYPE_CHECKING:
    from pathlib import Path

TOOLS = [
    ("gzip", "gzip", "gz"),
    ("bzip2", "bzip2", "bz2"),
    ("xz", "xz", "xz"),
    ("zstd", "zstd", "zst"),
]
BY_TOOL = pytest.mark.parametrize(("tool", "kind", "suffix"), TOOLS)


@BY_TOOL
@pytest.mark.parametrize("content", ["tar", "text", "nothing"])
def test_a_compressed_file_is_clean_and_each_cut_and_each_changed_byte_of_it_is_found(
    tool: str, kind: str, suffix: str, content: str, tmp_path: Path
) -> None:
    root = sample(tmp_path)
    plain = {
        "tar": run("tar", "-cf", "-", root.name, cwd=tmp_path),
        "text": (root / "README").read_bytes(),
        "nothing": b"",
    }[content]
    data = run(tool, "-c", feed=plain)
    name = b"x." + suffix.encode()
    assert is_clean(look(data, name), kind)
    assert not_found_when_cut(data, name) == []
    # What is not found changes nothing: times in headers, bits that fill up a byte.
    for at in not_found_when_flipped(data, name):
        assert run(tool, "-dc", feed=flipped(data, at)) == plain, at


@BY_TOOL
def test_a_compressed_file_is_told_without_its_name(tool: str, kind: str, suffix: str) -> None:
    data = run(tool, "-c", feed=b"brine" * 1000)
    assert is_clean(look(data, b"firmware"), kind)
    assert look(data[:-1], b"firmware").wrong == "the compressed stream ends too early"
    assert is_clean(look(data, b"firmware." + suffix.encode()), kind)


@BY_TOOL
def test_streams_that_follow_each_other_are_clean(tool: str, kind: str, suffix: str) -> None:
    one = run(tool, "-c", feed=b"first stage\n" * 99)
    assert is_clean(look(one * 3, b"x." + suffix.encode()), kind)
    assert not_found_when_cut(one * 2, b"x." + suffix.encode()) == [len(one)]


@BY_TOOL
def test_a_tar_that_was_cut_before_it_was_compressed_is_found(
    tool: str, kind: str, suffix: str, tmp_path: Path
) -> None:
    root = sample(tmp_path)
    plain = run("tar", "-cf", "-", root.name, cwd=tmp_path)
    data = run(tool, "-c", feed=plain[:7000])
    found = look(data, b"x.tar." + suffix.encode())
    assert (found.kind, "cut short in the member" in (found.wrong or "")) == (kind, True)


def test_a_tar_without_an_end_mark_is_clean_where_the_compression_vouches_for_its_end() -> None:
    buffer = io.BytesIO()
    with tarfile.open(fileobj=buffer, mode="w") as archive:
        archive.addfile(tarfile.TarInfo("a"))
    assert is_clean(look(gzip.compress(buffer.getvalue()[:512])), "gzip")


def test_streams_with_padding_are_clean() -> None:
    # xz: section 2.2 of its format, in fours. gzip: zeros to a tape's block are common.
    packed = lzma.compress(b"brine")
    assert is_clean(look(packed + bytes(4) + packed + bytes(8)), "xz")
    assert is_clean(look(gzip.compress(b"brine") + bytes(512)), "gzip")


def test_frames_that_zstandard_skips_are_clean_wherever_they_stand() -> None:
    # RFC 8878 section 3.1.2.
    frame = run("zstd", "-c", feed=b"brine" * 100)
    skipped = struct.pack("<2I", 0x184D2A5E, 5) + b"table"
    for data in (frame + skipped, skipped + frame, frame + skipped + frame, skipped):
        assert is_clean(look(data, b"x.zst"), "zstd")
    assert not_found_when_cut(skipped + frame, b"x.zst") == [len(skipped)]


def test_what_needs_more_memory_than_is_given_is_not_called_damaged() -> None:
    data = run("zstd", "-c", "--ultra", "-22", "--long=31", feed=b"brine" * 100)
    assert look(data).wrong is None
    # A header that asks for a window of 2 GiB (RFC 8878 section 3.1.1.1.2).
    wide = b"\x28\xb5\x2f\xfd\x00" + bytes([21 << 3]) + b"\1\0\0"
    found = look(wide)
    assert (found.wrong, "memory" in (found.unwalked or "")) == (None, True)


def test_something_else_behind_a_stream_is_found() -> None:
    assert look(gzip.compress(b"brine") + b"<html>").wrong == (
        "it cannot be unpacked: something else follows the gzip stream"
    )


def test_a_text_that_begins_as_bzip2_does_is_none() -> None:
    assert look(b"BZhello, this is a note").kind is None
    assert is_clean(look(bz2.compress(b"")), "bzip2")
