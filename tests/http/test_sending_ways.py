"""Every way in which a file's bytes leave, against the bytes themselves.

Without TLS and with both its versions; from the page cache and from the disk; from file systems
that can't tell whether they would have to wait; files with holes past what 32 bits hold; files that
change, are cut short or replaced meanwhile.
"""

from __future__ import annotations

import contextlib
import ctypes
import mmap
import os
import shutil
import subprocess
import tempfile
import threading
import time
from typing import TYPE_CHECKING, Callable

import harness
import pytest
import serving
from asking_kit import EDGES, Asked, check_parts, mixed_turns, same, seeded, some_ranges
from sending_kit import SMALL, WAYS, Client, Way, client_on, kept, way_into

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

MEBIBYTE = 1024 * 1024
CONTENT = seeded(3).randbytes(9 * MEBIBYTE + 4321)
# Far more than the kernel holds for a reader that takes nothing (`tcp_wmem` of tcp(7): 4 MiB).
LONG = CONTENT * 4
SIZES = sorted({0, *EDGES, MEBIBYTE - 1, MEBIBYTE, MEBIBYTE + 1})
SPARSE = 100 * 1024 * MEBIBYTE
MARKED = (0, 2**31, 2**32, 90 * 1024 * MEBIBYTE, SPARSE)  # around these stand bytes, else holes
AROUND = 200_000
OTHERS = ("memory", "layers")


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    """Make the trees: on the disk, in memory and, where one can be had, of layers."""
    folder = tmp_path_factory.mktemp("ways")
    with contextlib.ExitStack() as stack:
        (folder / "disk").mkdir()
        memory = stack.enter_context(tempfile.TemporaryDirectory(dir="/dev/shm"))
        (folder / "memory").symlink_to(memory)
        for name in ("below", "layers"):
            (folder / name).mkdir()
        for name in ("disk", "memory", "below"):
            put(folder / name / "file.bin", CONTENT)
        for size in SIZES:
            put(folder / "disk" / f"{size}.bin", CONTENT[:size])
        stack.enter_context(layered(folder))
        yield folder
    shutil.rmtree(folder / "disk")


def put(file: Path, content: bytes) -> Path:
    """Write a file down to the disk: pages that are not there can't be dropped from memory."""
    with file.open("wb") as open_file:
        open_file.write(content)
        open_file.flush()
        os.fsync(open_file.fileno())
    return file


@contextlib.contextmanager
def layered(folder: Path) -> Iterator[None]:
    """Mount `layers` over `below` if that can be had; else it stays empty."""
    options = f"lowerdir={folder / 'below'}:{folder / 'disk'}"
    command = ["mount", "-t", "overlay", "overlay", "-o", options, str(folder / "layers")]
    root = os.geteuid() == 0 and shutil.which("mount")
    mounted = root and subprocess.run(command, capture_output=True, check=False).returncode == 0
    try:
        yield
    finally:
        if mounted:
            subprocess.run(["umount", "--lazy", str(folder / "layers")], check=True)


@pytest.fixture(scope="module")
def depot(folder: Path) -> Iterator[harness.RunningDepot]:
    others = [serving.mount(f"/{name}/", (folder / name).resolve()) for name in OTHERS]
    root = serving.mount("/", folder / "disk")
    with serving.serving(folder, root, *others, listeners=[serving.PLAIN, serving.TLS]) as running:
        yield running
    assert "Traceback" not in running.log()


@pytest.fixture(params=WAYS)
def way(depot: harness.RunningDepot, request: pytest.FixtureRequest) -> Way:
    return way_into(depot, request.param)


def read_content(start: int, length: int) -> bytes:
    return CONTENT[start : start + length]


# Where the bytes lie.


def leave(_file: Path) -> None:
    """Leave a file in the page cache, where writing it put it."""


def chill(file: Path) -> None:
    """Drop a file from the page cache, once the kernel has ended what it reads ahead of it."""
    until = time.monotonic() + 5
    with file.open("rb") as open_file:
        while time.monotonic() < until:
            os.posix_fadvise(open_file.fileno(), 0, 0, os.POSIX_FADV_DONTNEED)
            if not any(cached_pages(file)):
                return
            time.sleep(0.001)
    pytest.skip("this file system keeps its pages in memory")


def thin(file: Path) -> None:
    """Drop some stretches of a file from the page cache, so that reads of it come up short."""
    file.read_bytes()
    with file.open("rb") as open_file:
        for start in range(20480, len(CONTENT), 163840):
            os.posix_fadvise(open_file.fileno(), start, 40960, os.POSIX_FADV_DONTNEED)
    if len(set(cached_pages(file))) == 1:
        pytest.skip("this file system keeps its pages in memory")


def cached_pages(file: Path) -> list[int]:
    """Tell of each page of a file whether it is in memory; reads nothing (mincore(2))."""
    libc = ctypes.CDLL(None, use_errno=True)
    with (
        file.open("rb") as open_file,
        mmap.mmap(open_file.fileno(), 0, access=mmap.ACCESS_COPY) as mapped,
    ):
        first = ctypes.c_char.from_buffer(mapped)
        count = -(-len(mapped) // mmap.PAGESIZE)
        pages = (ctypes.c_ubyte * count)()
        length = ctypes.c_size_t(len(mapped))
        told = libc.mincore(ctypes.c_void_p(ctypes.addressof(first)), length, pages)
        del first
    assert told == 0, os.strerror(ctypes.get_errno())
    return [page & 1 for page in pages]


@pytest.mark.parametrize(
    ("place", "prepare"),
    [("disk", leave), ("disk", chill), ("disk", thin), ("memory", leave), ("layers", leave)],
    ids=["hot", "cold", "partly hot", "memory", "layers"],
)
def test_fifty_ranges_and_the_whole_are_the_files_bytes(
    folder: Path, way: Way, place: str, prepare: Callable[[Path], None]
) -> None:
    file = folder / place / "file.bin"
    if not file.exists():
        pytest.skip("no file system of layers can be mounted here")
    address = "/file.bin" if place == "disk" else f"/{place}/file.bin"
    with client_on(way) as client:
        for asked in some_ranges(seeded(50), len(CONTENT), 50):
            prepare(file)
            got = client.ask(address, asked.field)
            check_parts(got, asked, len(CONTENT), read_content)
        prepare(file)
        got = client.ask(address)
    assert got.status == 200
    assert same(got.body, CONTENT)


def test_ranges_of_a_hundred_gibibytes_of_holes_are_right_at_every_offset(
    folder: Path, way: Way
) -> None:
    with sparse(folder / "disk" / "sparse.iso") as file, client_on(way) as client:
        choice = seeded(4)
        for _ in range(50):
            middle = choice.choice(MARKED) + choice.randint(-AROUND, AROUND)
            start = min(max(0, middle), SPARSE - 1)
            length = min(choice.choice([*EDGES, 3 * AROUND]), SPARSE - start)
            asked = Asked(f"bytes={start}-{start + length - 1}", ((start, length),))
            got = client.ask("/sparse.iso", asked.field)
            check_parts(got, asked, SPARSE, lambda at, count: os.pread(file, count, at))
        last = Asked("bytes=-131073", ((SPARSE - 131073, 131073),))
        got = client.ask("/sparse.iso", last.field)
        check_parts(got, last, SPARSE, lambda at, count: os.pread(file, count, at))
        assert client.ask("/sparse.iso", method="HEAD").get("content-length") == str(SPARSE)


@contextlib.contextmanager
def sparse(path: Path) -> Iterator[int]:
    """Make a file of holes with bytes around the MARKED places; give it open."""
    with path.open("w+b", buffering=0) as file:
        os.truncate(file.fileno(), SPARSE)
        for number, mark in enumerate(MARKED):
            start = min(max(0, mark - AROUND), SPARSE - 2 * AROUND)
            piece = read_content(number * 2 * AROUND, 2 * AROUND)
            os.pwrite(file.fileno(), piece, start)
        yield file.fileno()


# Files of every size, by every kind of connection.


KEEP_1_0 = "Connection: keep-alive"


@pytest.mark.parametrize("head_only", [False, True], ids=["GET", "HEAD"])
def test_files_of_every_size_arrive_on_a_connection_that_stays(
    way: Way, *, head_only: bool
) -> None:
    method = "HEAD" if head_only else "GET"
    with client_on(way) as client:
        for size in SIZES:
            got = client.ask(f"/{size}.bin", method=method)
            assert (got.status, got.get("content-length")) == (200, str(size))
            assert same(got.body, CONTENT[: 0 if head_only else size])


@pytest.mark.parametrize("version", [b"1.1", b"1.0"])
@pytest.mark.parametrize("size", SIZES)
def test_a_file_arrives_whole_before_its_connection_ends(
    way: Way, version: bytes, size: int
) -> None:
    request = harness.get(f"/{size}.bin")
    if version == b"1.0":
        request = request.replace(b"HTTP/1.1", b"HTTP/1.0").replace(b"Connection: close\r\n", b"")
    with client_on(way) as client:
        client.send(request)
        got = client.answer()
        assert client.to_end() == (b"", "end")
    assert (got.status, got.get("content-length"), got.get("connection")) == (
        200,
        str(size),
        "close",
    )
    assert same(got.body, CONTENT[:size])


def test_files_of_every_size_arrive_by_http_1_0_on_a_connection_that_stays(way: Way) -> None:
    with client_on(way) as client:
        for size in SIZES:
            request = kept(f"/{size}.bin", KEEP_1_0).replace(b"HTTP/1.1", b"HTTP/1.0")
            client.send(request)
            got = client.answer()
            assert (got.status, got.get("content-length")) == (200, str(size))
            assert (got.get("connection") or "").lower() == "keep-alive"
            assert same(got.body, CONTENT[:size])


@pytest.mark.parametrize("size", [1, 4096, 65537, MEBIBYTE + 1])
def test_two_hundred_requests_of_all_kinds_stay_in_step_on_one_connection(
    way: Way, size: int
) -> None:
    with client_on(way) as client:
        for turn in mixed_turns(seeded(size), f"{size}.bin", CONTENT[:size], 200):
            client.send(turn.request)
            turn.take(client)
        client.send(harness.get("/1.bin"))
        assert client.answer().body == CONTENT[:1]
        assert client.to_end() == (b"", "end")


# Files that change while they are sent. That such an answer is cut, and which of its lines the log
# has, stands in test_content_that_changes.py; here, what of it arrives.


@pytest.fixture
def long_file(folder: Path) -> Iterator[Path]:
    """Give a file of which most can't be under way to a reader that takes nothing."""
    path = put(folder / "disk" / "long.bin", LONG)
    yield path
    path.unlink()


def append(file: Path) -> None:
    with file.open("ab") as open_file:
        open_file.write(b"more")


def shorten(file: Path) -> None:
    os.truncate(file, len(LONG) - 1)


def halve(file: Path) -> None:
    os.truncate(file, len(LONG) // 2)


def patch(file: Path) -> None:
    """Change bytes that can't be under way yet."""
    with file.open("r+b") as open_file:
        open_file.seek(len(LONG) - 100_000)
        open_file.write(bytes(100_000))


def patch_and_set_the_time_back(file: Path) -> None:
    """Change bytes, keep the size, and set a time that is not the old one but as old."""
    before = file.stat()
    patch(file)
    os.utime(file, ns=(before.st_atime_ns, before.st_mtime_ns - 1))


@pytest.mark.parametrize("start", [0, 4097])
@pytest.mark.parametrize("change", [append, shorten, halve, patch, patch_and_set_the_time_back])
def test_what_arrives_of_a_file_changed_meanwhile_is_its_old_beginning(
    way: Way, long_file: Path, change: Callable[[Path], None], start: int
) -> None:
    with client_on(way, buffer=SMALL) as client:
        client.send(kept("/long.bin", *([f"Range: bytes={start}-"] if start else [])))
        head, begun = client.head(), client.exactly(1000)
        change(long_file)
        received = begun + client.to_end()[0]
    assert head.get("content-length") == str(len(LONG) - start)
    assert len(received) < len(LONG) - start
    assert same(received, LONG[start : start + len(received)])


@pytest.mark.parametrize("start", [0, 4097])
def test_a_file_replaced_meanwhile_is_sent_whole_and_the_new_one_next(
    way: Way, long_file: Path, start: int
) -> None:
    new = LONG[::-1]
    fields = [f"Range: bytes={start}-"] if start else []
    with client_on(way, buffer=SMALL) as client:
        client.send(kept("/long.bin", *fields) + kept("/long.bin", *fields))
        head = client.head()
        put(long_file.with_name("new.bin"), new).rename(long_file)
        old_body = client.exactly(len(LONG) - start)
        got = client.answer()
    assert same(old_body, LONG[start:])
    assert same(got.body, new[start:])
    assert got.get("etag") != head.get("etag")


def test_a_download_that_goes_on_never_joins_two_versions(way: Way, long_file: Path) -> None:
    # RFC 9110 section 13.1.5.
    new = LONG[::-1]
    with client_on(way) as client:
        first = client.ask("/long.bin", "Range: bytes=0-999999")
        condition = f"If-Range: {first.get('etag')}"
        second = client.ask("/long.bin", "Range: bytes=1000000-1999999", condition)
        assert same(first.body + second.body, LONG[:2_000_000])
        put(long_file.with_name("new.bin"), new).rename(long_file)
        third = client.ask("/long.bin", "Range: bytes=2000000-2999999", condition)
    assert third.status == 200
    assert same(third.body, new)


def test_each_answer_is_one_version_while_a_file_is_replaced_again_and_again(
    way: Way, folder: Path
) -> None:
    versions = [CONTENT[:300_001], CONTENT[300_001:500_000]]
    path = put(folder / "disk" / "turns.bin", versions[0])
    with replaced_again_and_again(path, versions), client_on(way) as client:
        seen = {}
        for _ in range(150):
            got = client.ask("/turns.bin")
            assert got.status == 200
            assert got.body in versions
            # One strong tag names one version only (RFC 9110 section 8.8.1).
            assert seen.setdefault(got.get("etag"), got.body) == got.body
    assert {*seen.values()} == {*versions}


@contextlib.contextmanager
def replaced_again_and_again(path: Path, versions: list[bytes]) -> Iterator[None]:
    ended = threading.Event()

    def replace() -> None:
        number = 0
        while not ended.is_set():
            number += 1
            new = path.with_name("turns.new")
            new.write_bytes(versions[number % 2])
            new.rename(path)

    thread = threading.Thread(target=replace)
    thread.start()
    try:
        yield
    finally:
        ended.set()
        thread.join()


def test_sixteen_clients_at_once_each_get_the_bytes_that_they_asked_for(way: Way) -> None:
    faults: list[BaseException] = []

    def ask(number: int) -> None:
        try:
            with client_on(way) as client:
                ask_ranges(client, number)
        except BaseException as error:  # noqa: BLE001 - told by the test's own thread
            faults.append(error)

    threads = [threading.Thread(target=ask, args=(number,)) for number in range(16)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert faults == []


def ask_ranges(client: Client, seed: int) -> None:
    address = ["/file.bin", "/memory/file.bin"][seed % 2]
    for asked in some_ranges(seeded(seed), len(CONTENT), 10):
        check_parts(client.ask(address, asked.field), asked, len(CONTENT), read_content)
