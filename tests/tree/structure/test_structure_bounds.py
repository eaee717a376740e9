"""Bombs and arbitrary input: memory and time stay within bounds, and nothing is raised."""

from __future__ import annotations

import gzip
import io
import struct
import subprocess
import sys
import tarfile
import time
import zipfile
import zlib
from typing import TYPE_CHECKING

import pytest
from archives_kit import is_clean, look, look_at, run, sample
from changing import SCRIPT, steps
from hypothesis import given, settings
from hypothesis import strategies as st
from test_disc_structure import udf_alone
from test_stated_structure import cabinet, seven_zip, squashfs
from test_tar_structure import appliance

from depotserve.tree.structure import examine

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from depotserve.tree.structure import Structure

GIB = 1024**3
# Looks at the file that is its argument and prints what was found, the highest memory in KiB.
WATCHED = """
import os, resource, sys
from depotserve.tree.structure import examine
before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
with open(sys.argv[1], "rb") as stream:
    found = examine(stream, os.fstat(stream.fileno()).st_size, os.fsencode(sys.argv[1]))
print(found.wrong, found.unwalked, sep="|")
print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before)
"""


def watch(path: Path) -> tuple[str, int]:
    """Examine a file in a process of its own; give the words and the memory in MiB."""
    command = [sys.executable, "-c", WATCHED, str(path)]
    told = subprocess.run(command, capture_output=True, text=True, check=True, timeout=120).stdout
    words, memory = told.splitlines()
    return words, int(memory) // 1024


def write_zeros_zipped(path: Path, size: int) -> None:
    """Write a member of so many zeros, packed once and repeated: DEFLATE blocks may follow."""
    deflater = zlib.compressobj(9, zlib.DEFLATED, -zlib.MAX_WBITS)
    packed = deflater.compress(bytes(1 << 24)) + deflater.flush(zlib.Z_FULL_FLUSH)
    content = packed * (size >> 24) + b"\3\0"
    crc = 0  # is not come to
    sizes = struct.pack("<3I2H", crc, len(content), 0xFFFFFFFF, 5, 20)
    wide = struct.pack("<2HQQ", 1, 16, size, len(content))
    local = b"PK\3\4" + struct.pack("<5H", 45, 0, 8, 0, 0) + sizes + b"zeros" + wide
    entry = b"PK\1\2" + struct.pack("<6H", 45, 45, 0, 8, 0, 0) + sizes + bytes(14)
    entry += b"zeros" + wide
    end = struct.pack("<4H2IH", 0, 0, 1, 1, len(entry), len(local) + len(content), 0)
    path.write_bytes(local + content + entry + b"PK\5\6" + end)


@pytest.mark.slow
def test_a_zip_of_ten_gib_of_zeros_is_given_up_in_flat_memory(tmp_path: Path) -> None:
    write_zeros_zipped(tmp_path / "x.zip", 10 * GIB)
    words, memory = watch(tmp_path / "x.zip")
    assert words == "None|it holds more than is unpacked: not walked to its end"
    assert memory < 32


@pytest.mark.slow
@pytest.mark.parametrize("tool", ["gzip", "xz", "zstd", "bzip2"])
def test_a_compressed_bomb_is_given_up_in_flat_memory(tool: str, tmp_path: Path) -> None:
    packed = run(tool, "-c", feed=bytes(64 << 20))
    (tmp_path / "x").write_bytes(packed * 160)
    words, memory = watch(tmp_path / "x")
    assert words.startswith("None|holds more than")
    assert memory < 64


def test_a_gzip_of_a_gzip_is_unpacked_once(tmp_path: Path) -> None:
    inner = gzip.compress(bytes(64 << 20))
    assert is_clean(look(gzip.compress(inner)), "gzip")
    (tmp_path / "x.gz").write_bytes(gzip.compress(inner))
    assert watch(tmp_path / "x.gz")[1] < 32


def test_a_member_that_unpacks_to_more_than_it_says_is_not_unpacked_further() -> None:
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("a", bytes(200 << 20))
    data = bytearray(buffer.getvalue())
    place = data.index(b"PK\1\2") + 24
    data[place : place + 4] = struct.pack("<I", 10)
    began = time.monotonic()
    assert "unpacks to another size" in (look(bytes(data)).wrong or "")
    assert time.monotonic() - began < 5


@pytest.mark.slow
def test_a_directory_of_100_000_members_takes_no_memory_for_each(tmp_path: Path) -> None:
    with zipfile.ZipFile(tmp_path / "x.zip", "w") as archive:
        for number in range(100_000):
            archive.writestr(f"archive/of/set-points/{number:09}.csv", b"")
    words, memory = watch(tmp_path / "x.zip")
    assert words == "None|None"
    assert memory < 8  # 20 MiB of names and sizes


def test_an_extended_header_of_a_gib_is_not_read(tmp_path: Path) -> None:
    header = tarfile.TarInfo("x")
    header.type, header.size = b"x", GIB
    with (tmp_path / "x.tar").open("wb") as stream:
        stream.write(header.tobuf(tarfile.GNU_FORMAT))
        stream.truncate(GIB + 4096)
    words, memory = watch(tmp_path / "x.tar")
    assert words == "None|an extended header of more than 1048576 bytes"
    assert memory < 16


def test_a_header_that_states_the_largest_numbers_is_found_at_once(tmp_path: Path) -> None:
    rpm = b"\xed\xab\xee\xdb" + bytes(92) + b"\x8e\xad\xe8\x01\0\0\0\0" + b"\xff" * 8 + bytes(99)
    assert "is damaged" in (look(rpm).wrong or "")
    member = tarfile.TarInfo("x")
    member.size = 2**80
    assert "cut short in the member x" in (
        look(member.tobuf(tarfile.GNU_FORMAT) + bytes(9999)).wrong or ""
    )
    (tmp_path / "x.7z").write_bytes(huge_7z())
    assert "it is cut short" in (look_at(tmp_path / "x.7z").wrong or "")


def huge_7z() -> bytes:
    start = struct.pack("<QQI", 2**64 - 1, 2**64 - 1, 0)
    return b"7z\xbc\xaf\x27\x1c\0\4" + struct.pack("<I", zlib.crc32(start)) + start + bytes(40)


@pytest.fixture(scope="module")
def seeds(tmp_path_factory: pytest.TempPathFactory) -> dict[str, bytes]:
    """Make one good file of each format."""
    folder = tmp_path_factory.mktemp("seeds")
    root = sample(folder)
    (root / "pumps" / "firmware.bin").write_bytes(b"short" * 50)
    (root / "README").write_bytes(b"brine" * 30)
    run("genisoimage", "-quiet", "-udf", "-no-pad", "-o", folder / "x.iso", root)
    disc = (folder / "x.iso").read_bytes()
    plain = run("tar", "-cf", "-", root.name, cwd=folder)
    run("zip", "-qr", folder / "x.zip", root.name, cwd=folder)
    control, content = gzip.compress(plain[:2048] + bytes(1024)), gzip.compress(plain)
    (folder / "debian-binary").write_bytes(b"2.0\n")
    (folder / "control.tar.gz").write_bytes(control)
    (folder / "data.tar.gz").write_bytes(content)
    names = ["debian-binary", "control.tar.gz", "data.tar.gz"]
    run("ar", "rc", "x.deb", *names, cwd=folder)
    packed = {tool: run(tool, "-c", feed=plain) for tool in ("gzip", "bzip2", "xz", "zstd")}
    return {
        "zip": (folder / "x.zip").read_bytes(),
        "tar": plain,
        "ova": appliance(),
        "iso": disc,
        "udf": udf_alone(disc),
        "deb": (folder / "x.deb").read_bytes(),
        "rpm": rpm_like(content),
        "7z": seven_zip(),
        "cab": cabinet(),
        "squashfs": squashfs(),
        **packed,
    }


def rpm_like(payload: bytes) -> bytes:
    """Make the headers of a package by the documentation, with a payload's size and compressor."""

    def header(tag: int, kind: int, value: bytes) -> bytes:
        index = struct.pack(">4I", tag, kind, 0, 1)
        return b"\x8e\xad\xe8\x01" + bytes(4) + struct.pack(">2I", 1, len(value)) + index + value

    main = header(1125, 6, b"gzip\0")
    signature = header(1000, 4, struct.pack(">I", len(main) + len(payload)))
    padding = bytes(-(96 + len(signature)) % 8)
    return b"\xed\xab\xee\xdb" + bytes(92) + signature + padding + main + payload


HOW = ["set", "cut", "insert", "copy", "big"]
KINDS = ["zip", "tar", "ova", "deb", "rpm", "7z", "cab", "squashfs", "gzip", "bzip2", "xz", "zstd"]


def changed(data: bytes, script: bytes) -> bytes:
    for which, first, second, with_what in steps(script):
        at, other = first % (len(data) + 1), second % (len(data) + 1)
        data = {
            "set": data[:at] + with_what + data[at + len(with_what) :],
            "cut": data[:at] + data[max(at, other) :],
            "insert": data[:at] + with_what + data[at:],
            "copy": data[:at] + data[other : other + 64] + data[at + 64 :],
            "big": data[:at] + b"\xff" * (second % 9) + data[at + second % 9 :],
        }[HOW[which % len(HOW)]]
    return data


def is_said(found: Structure) -> bool:
    """Tell whether an answer is one phrase, and never a fault and a doubt at once."""
    texts = [text for text in (found.wrong, found.unwalked) if text is not None]
    return len(texts) <= 1 and all(text and "\n" not in text for text in texts)


@pytest.mark.slow
@pytest.mark.parametrize("kind", KINDS)
def test_whatever_happened_to_a_file_an_answer_comes(kind: str, seeds: dict[str, bytes]) -> None:
    seed = seeds[kind]
    name = b"x." + kind.encode()
    assert look(seed, name).wrong is None

    @given(SCRIPT, st.booleans())
    @settings(max_examples=5000, deadline=None)
    def hold(script: bytes, is_named: bool) -> None:
        assert is_said(look(changed(seed, script), name if is_named else b"x"))

    hold()


# The descriptors of a disc lie from its 16th and its 256th sector on.
SPANS = ((16 * 2048, 40 * 2048), (256 * 2048, 260 * 2048), (0, 2**20))


def places(script: bytes) -> Iterator[tuple[int, bytes]]:
    for which, first, _, value in steps(script):
        start, end = SPANS[which % len(SPANS)]
        yield start + first % (end - start), value[:8]


@pytest.mark.slow
@pytest.mark.parametrize("kind", ["iso", "udf"])
def test_whatever_happened_to_a_disc_an_answer_comes(kind: str, seeds: dict[str, bytes]) -> None:
    seed = seeds[kind]
    assert look(seed, b"x.iso").wrong is None
    stream = io.BytesIO(seed)  # one for all examples: they are large

    @given(SCRIPT, st.integers(0, 2**20))
    @settings(max_examples=5000, deadline=None)
    def hold(script: bytes, less: int) -> None:
        changes = list(places(script))
        size = len(seed) - (less % len(seed) if less & 1 else 0)
        for place, value in changes:
            stream.seek(place % (len(seed) - 8))
            stream.write(value)
        assert is_said(examine(stream, size, b"x.iso"))
        for place, value in changes:
            begin = place % (len(seed) - 8)
            stream.seek(begin)
            stream.write(seed[begin : begin + len(value)])

    hold()


HEADS = [
    b"PK\3\4",
    b"PK\5\6",
    b"PK\7\x08",
    b"\xed\xab\xee\xdb",
    b"!<arch>\n",
    b"7z\xbc\xaf\x27\x1c",
    b"MSCF\0\0\0\0",
    b"hsqs",
    b"\x1f\x8b\x08",
    b"BZh91AY&SY",
    b"\xfd7zXZ\0",
    b"\x28\xb5\x2f\xfd",
    b"\x50\x2a\x4d\x18",
    b"MZ",
    b"",
    bytes(32768) + b"\1CD001\1",
    bytes(32768) + b"\0BEA01\1",
]


@pytest.mark.slow
@given(
    st.sampled_from(HEADS),
    st.binary(max_size=600),
    st.sampled_from([b"", b"PK\5\6" + bytes(18), bytes(4096)]),
    st.sampled_from([b"x", b"x.zip", b"x.iso", b"x.tar", b"x.deb", b"x.gz", b"x.zip.001"]),
)
@settings(max_examples=5000, deadline=None)
def test_whatever_follows_a_magic_an_answer_comes(
    head: bytes, middle: bytes, end: bytes, name: bytes
) -> None:
    assert is_said(look(head + middle + end, name))


@pytest.mark.slow
@given(st.binary(min_size=512, max_size=512), st.binary(max_size=2000))
@settings(max_examples=5000, deadline=None)
def test_whatever_a_header_of_tar_holds_an_answer_comes(block: bytes, rest: bytes) -> None:
    plain = block[:148] + b" " * 8 + block[156:]
    summed = block[:148] + b"%06o\0 " % sum(plain) + block[156:]
    assert is_said(look(summed + rest, b"x.tar"))
