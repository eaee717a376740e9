"""Served files read where they lie: in the page cache, on the disk, in memory, or not any more."""

from __future__ import annotations

import asyncio
import ctypes
import errno
import mmap
import os
import tempfile
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from asking_kit import seeded

from depotserve.http.reading import PIECE, Reader, Source, read_cached

if TYPE_CHECKING:
    from collections.abc import Iterator

MEBIBYTE = 1024 * 1024
CONTENT = seeded(11).randbytes(9 * MEBIBYTE + 4321)
SIZE = len(CONTENT)
SECONDS = 20.0  # what anything here may take at most on a busy machine
NO_WAIT = hasattr(os, "RWF_NOWAIT")


@pytest.fixture
def file(tmp_path: Path) -> Iterator[int]:
    """Open the content on the disk, written down: other pages can't be dropped from memory."""
    path = tmp_path / "file.bin"
    with path.open("wb") as written:
        written.write(CONTENT)
        written.flush()
        os.fsync(written.fileno())
    yield from opened(path)
    path.unlink()


@pytest.fixture
def in_memory() -> Iterator[int]:
    """Open the content on a file system that has no disk (tmpfs(5))."""
    with tempfile.TemporaryDirectory(dir="/dev/shm") as folder:
        path = Path(folder) / "file.bin"
        path.write_bytes(CONTENT)
        yield from opened(path)


def opened(path: Path) -> Iterator[int]:
    descriptor = os.open(path, os.O_RDWR)
    yield descriptor
    os.close(descriptor)


@pytest.fixture(params=["hot", "cold", "thin", "memory"])
def anywhere(request: pytest.FixtureRequest) -> int:
    """Give the content wherever its bytes may lie."""
    if request.param == "memory":
        descriptor: int = request.getfixturevalue("in_memory")
        return descriptor
    descriptor = request.getfixturevalue("file")
    {"hot": heat, "cold": chill, "thin": thin}[request.param](descriptor)
    return descriptor


@pytest.fixture
def reader() -> Iterator[Reader]:
    made = Reader(2)
    yield made
    made.close()


@pytest.fixture
def threadless() -> ThreadPoolExecutor:
    """Make threads that take no work: whoever asks for one fails."""
    pool = ThreadPoolExecutor(1)
    pool.shutdown()
    return pool


def heat(descriptor: int) -> None:
    """Have all of a file in the page cache."""
    os.pread(descriptor, SIZE, 0)


def chill(descriptor: int) -> None:
    """Drop a file from the page cache, once the kernel has ended what it reads ahead of it."""
    until = time.monotonic() + 5
    while time.monotonic() < until:
        os.posix_fadvise(descriptor, 0, 0, os.POSIX_FADV_DONTNEED)
        if not any(cached_pages(descriptor)):
            return
        time.sleep(0.001)
    pytest.skip("this file system keeps its pages in memory")


def thin(descriptor: int) -> None:
    """Have some stretches of a file in the page cache, and the others not."""
    chill(descriptor)
    os.posix_fadvise(descriptor, 0, 0, os.POSIX_FADV_RANDOM)  # nothing is read ahead
    for start in range(20480, SIZE, 163840):
        os.pread(descriptor, 40960, start)
    os.posix_fadvise(descriptor, 0, 0, os.POSIX_FADV_NORMAL)
    assert len(set(cached_pages(descriptor))) == 2


def cached_pages(descriptor: int) -> list[int]:
    """Tell of each page of a file whether it is in memory; reads nothing (mincore(2))."""
    libc = ctypes.CDLL(None, use_errno=True)
    with mmap.mmap(descriptor, 0, access=mmap.ACCESS_COPY) as mapped:
        first = ctypes.c_char.from_buffer(mapped)
        pages = (ctypes.c_ubyte * -(-len(mapped) // mmap.PAGESIZE))()
        length = ctypes.c_size_t(len(mapped))
        told = libc.mincore(ctypes.c_void_p(ctypes.addressof(first)), length, pages)
        del first
    assert told == 0, os.strerror(ctypes.get_errno())
    return [page & 1 for page in pages]


def places(seed: int, count: int = 50) -> list[tuple[int, int]]:
    """Draw starts and lengths, about pages' and pieces' ends among them."""
    chosen = seeded(seed)
    edges = [0, 1, 4095, 4096, PIECE - 1, PIECE, PIECE + 1, MEBIBYTE, SIZE - 1, SIZE - PIECE]
    starts = [chosen.choice(edges) if chosen.random() < 0.3 else -1 for _ in range(count)]
    return [
        (chosen.randrange(SIZE) if start < 0 else start, chosen.choice([1, 4096, PIECE, 3 * PIECE]))
        for start in starts
    ]


async def whole(source: Source, start: int, length: int) -> bytes:
    """Read a span to its end, each piece used before the next is asked for."""
    data = b""
    while len(data) < length:
        left = length - len(data)
        # Nothing lies between the reading and the copy: another source may use the memory then.
        piece = bytes(await source.read(start + len(data), min(left, PIECE), left))
        if not piece:
            break
        assert len(piece) <= min(left, PIECE)
        data += piece
    return data


# What the page cache holds, read without waiting.


def test_cached_bytes_are_those_of_the_file_at_random_places(file: int) -> None:
    heat(file)
    for start, length in places(1):
        found = read_cached(file, start, length)
        if not NO_WAIT:
            assert found is None
            continue
        assert found is not None
        assert found == CONTENT[start : start + min(length, PIECE)]


def test_what_is_read_without_waiting_is_the_files_wherever_it_lies(anywhere: int) -> None:
    for start, length in places(2):
        found = read_cached(anywhere, start, length)
        assert found is None or found == CONTENT[start : start + len(found)]
        assert found is None or 0 < len(found) <= min(length, PIECE, SIZE - start)


def test_what_is_on_the_disk_alone_is_not_read(file: int) -> None:
    chill(file)
    assert read_cached(file, 0, PIECE) is None
    chill(file)
    assert read_cached(file, SIZE - 1, 1) is None


@pytest.mark.skipif(not NO_WAIT, reason="this system can't read without waiting")
def test_at_the_end_of_a_file_there_is_less_and_behind_it_nothing(file: int) -> None:
    heat(file)
    for left in (1, 4095, 4097, PIECE - 1):
        found = read_cached(file, SIZE - left, PIECE)
        assert found is not None
        assert found == CONTENT[SIZE - left :]
    for start in (SIZE, SIZE + 1, SIZE + 100 * MEBIBYTE):
        found = read_cached(file, start, PIECE)
        assert found is not None
        assert len(found) == 0


@pytest.mark.skipif(not NO_WAIT, reason="this system can't read without waiting")
def test_one_read_uses_the_memory_of_the_one_before(file: int) -> None:
    heat(file)
    first, second = read_cached(file, 0, 100), read_cached(file, MEBIBYTE, 100)
    assert first is not None
    assert second is not None
    assert bytes(second) == CONTENT[MEBIBYTE : MEBIBYTE + 100]
    assert bytes(first) == bytes(second)


@pytest.mark.skipif(not NO_WAIT, reason="this system can't read without waiting")
def test_what_can_not_be_read_raises_why(tmp_path: Path) -> None:
    (tmp_path / "file.bin").write_bytes(CONTENT[:100])
    descriptor = os.open(tmp_path / "file.bin", os.O_WRONLY)
    with pytest.raises(OSError, match="Bad file descriptor") as caught:
        read_cached(descriptor, 0, 1)
    assert caught.value.errno == errno.EBADF
    os.close(descriptor)


async def test_what_only_a_thread_finds_out_is_raised_too(tmp_path: Path, reader: Reader) -> None:
    # A folder can't be asked without waiting, and not be read at all.
    folder = os.open(tmp_path, os.O_RDONLY)
    with pytest.raises(IsADirectoryError):
        await reader.open(folder).read(0, 1, 1)
    os.close(folder)


# A file that is being sent.


async def test_a_file_is_read_whole_wherever_it_lies(anywhere: int, reader: Reader) -> None:
    assert await whole(reader.open(anywhere), 0, SIZE) == CONTENT


async def test_any_span_is_read_as_it_stands_in_the_file(anywhere: int, reader: Reader) -> None:
    for start, length in places(3):
        found = await whole(reader.open(anywhere), start, length)
        assert found == CONTENT[start : start + length]


async def test_spans_of_one_source_may_lie_in_any_order(anywhere: int, reader: Reader) -> None:
    source = reader.open(anywhere)
    for start, length in [*places(4, 20), (SIZE - 1, 1), (0, 1), (5 * MEBIBYTE, 2 * MEBIBYTE)]:
        assert await whole(source, start, length) == CONTENT[start : start + length]


async def test_sources_of_one_file_do_not_disturb_each_other(anywhere: int, reader: Reader) -> None:
    spans = places(5, 16)
    found = await asyncio.gather(*(whole(reader.open(anywhere), *span) for span in spans))
    assert found == [CONTENT[start : start + length] for start, length in spans]


async def test_a_read_at_the_end_is_short_and_behind_it_gives_nothing(
    anywhere: int, reader: Reader
) -> None:
    source = reader.open(anywhere)
    assert await whole(source, SIZE - 4097, PIECE) == CONTENT[-4097:]
    for start in (SIZE, SIZE + 1, SIZE + 9 * MEBIBYTE):
        assert await whole(source, start, PIECE) == b""


@pytest.mark.skipif(not NO_WAIT, reason="this system can't read without waiting")
async def test_what_the_page_cache_holds_needs_no_thread(
    file: int, threadless: ThreadPoolExecutor
) -> None:
    heat(file)
    source = Source(file, threadless)
    assert await whole(source, 0, SIZE) == CONTENT
    assert await source.warm(0, SIZE, SIZE) == SIZE


async def test_what_the_disk_holds_needs_one(file: int, threadless: ThreadPoolExecutor) -> None:
    chill(file)
    with pytest.raises(RuntimeError, match="shutdown"):
        await Source(file, threadless).read(0, PIECE, SIZE)
    chill(file)
    with pytest.raises(RuntimeError, match="shutdown"):
        await Source(file, threadless).warm(0, SIZE, SIZE)


async def test_the_disk_is_asked_no_further_than_a_stretch_for_what_is_wanted(
    file: int, reader: Reader
) -> None:
    chill(file)
    assert await whole(reader.open(file), 5000, 10) == CONTENT[5000:5010]
    await asyncio.sleep(0.2)  # what was asked for ahead may still come in
    assert await whole(reader.open(file), 0, SIZE) == CONTENT


@pytest.mark.parametrize("size", [0, 1, 4096, 100_000, PIECE])
async def test_a_file_that_was_cut_short_gives_what_is_left_and_then_nothing(
    anywhere: int, reader: Reader, size: int
) -> None:
    source = reader.open(anywhere)
    assert await whole(source, 0, 4 * PIECE) == CONTENT[: 4 * PIECE]
    os.truncate(anywhere, size)
    assert await whole(source, 0, SIZE) == CONTENT[:size]
    assert await whole(source, 4 * PIECE, SIZE - 4 * PIECE) == b""
    assert await asyncio.wait_for(source.warm(4 * PIECE, PIECE, PIECE), SECONDS) <= PIECE


async def test_an_empty_file_has_nothing(tmp_path: Path, reader: Reader) -> None:
    (tmp_path / "empty.bin").touch()
    for descriptor in opened(tmp_path / "empty.bin"):
        assert await whole(reader.open(descriptor), 0, 1) == b""


# Warming, before the kernel sends by itself.


async def test_a_warm_stretch_is_in_the_page_cache_to_its_last_byte_and_no_longer_than_asked(
    file: int, reader: Reader
) -> None:
    for start, length in places(6, 20):
        chill(file)
        asked = min(length, SIZE - start)
        count = await asyncio.wait_for(reader.open(file).warm(start, asked, asked), SECONDS)
        assert 0 < count <= asked
        pages = cached_pages(file)
        ends = (start // mmap.PAGESIZE, (start + count - 1) // mmap.PAGESIZE)
        assert [pages[end] for end in ends] == [1, 1]


async def come_in(descriptor: int, first: int, end: int) -> None:
    """Wait until the disk has given the pages of a stretch, which nobody reads."""
    until = time.monotonic() + SECONDS
    while not all(cached_pages(descriptor)[first:end]):
        assert time.monotonic() < until
        await asyncio.sleep(0.001)


async def test_warming_goes_through_a_cold_file_stretch_by_stretch(
    file: int, reader: Reader
) -> None:
    chill(file)
    source, at = reader.open(file), 0
    while at < SIZE:
        count = await asyncio.wait_for(source.warm(at, SIZE - at, SIZE - at), SECONDS)
        assert 0 < count <= SIZE - at
        await come_in(file, at // mmap.PAGESIZE, (at + count) // mmap.PAGESIZE)
        assert os.pread(file, count, at) == CONTENT[at : at + count]
        at += count


async def test_warming_any_file_gets_to_its_end(anywhere: int, reader: Reader) -> None:
    source, at, looks = reader.open(anywhere), 0, 0
    while at < SIZE:
        count = await asyncio.wait_for(source.warm(at, SIZE - at, SIZE - at), SECONDS)
        assert 0 < count <= SIZE - at
        at, looks = at + count, looks + 1
    assert looks <= 2 + SIZE // MEBIBYTE * 2


async def test_warming_gives_no_more_than_is_there(anywhere: int, reader: Reader) -> None:
    source = reader.open(anywhere)
    os.truncate(anywhere, MEBIBYTE + 5000)  # by somebody else, while it is sent
    count = await asyncio.wait_for(source.warm(MEBIBYTE, SIZE - MEBIBYTE, SIZE - MEBIBYTE), SECONDS)
    assert 0 < count <= 5000


async def test_threads_that_were_let_go_end_what_they_have_begun(file: int) -> None:
    chill(file)
    reader = Reader(1)
    reading = asyncio.ensure_future(reader.open(file).warm(0, 4096, 4096))
    await asyncio.sleep(0)
    reader.close()
    assert await asyncio.wait_for(reading, SECONDS) == 4096
    chill(file)
    with pytest.raises(RuntimeError, match="shutdown"):
        await reader.open(file).warm(0, 4096, 4096)
