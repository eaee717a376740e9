"""A file that changes while it is sent: one version of it arrives, or an honest cut."""

from __future__ import annotations

import contextlib
import os
import socket
from typing import TYPE_CHECKING, Callable

import harness
import pytest
import serving

if TYPE_CHECKING:
    import ssl
    from collections.abc import Iterator
    from pathlib import Path

MEBIBYTE = 1024 * 1024
SIZE = 32 * MEBIBYTE
OLD, NEW = b"o", b"n"


@pytest.fixture(scope="module")
def depot(tmp_path_factory: pytest.TempPathFactory) -> Iterator[harness.RunningDepot]:
    folder = tmp_path_factory.mktemp("changes")
    (folder / "tree").mkdir()
    listeners = [serving.PLAIN, serving.TLS]
    mount = serving.mount("/", folder / "tree")
    with serving.serving(folder, mount, listeners=listeners) as running:
        yield running
    assert "Traceback" not in running.log()


@pytest.fixture(params=["plain", "tls"])
def number(request: pytest.FixtureRequest) -> int:
    return ["plain", "tls"].index(request.param)


@pytest.fixture
def file(depot: harness.RunningDepot) -> Iterator[Path]:
    """Give a large file of one letter in the tree, at the root's address /file."""
    path = depot.home.parent / "tree" / "file"
    path.write_bytes(OLD * SIZE)
    yield path
    path.unlink()


@contextlib.contextmanager
def half_read(
    depot: harness.RunningDepot, number: int, *fields: str
) -> Iterator[tuple[socket.socket, bytes]]:
    """Ask for the file, and take so little that most of it can't be under way."""
    tls = depot.context() if number else None
    with narrow(depot.endpoints[number].port, tls) as connection:
        connection.sendall(harness.get("/file", *fields))
        yield connection, connection.recv(4096)


@contextlib.contextmanager
def narrow(port: int, tls: ssl.SSLContext | None) -> Iterator[socket.socket]:
    with socket.socket() as plain:
        plain.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 16384)
        plain.settimeout(30)
        plain.connect(("127.0.0.1", port))
        if tls is None:
            yield plain
            return
        with tls.wrap_socket(plain, server_hostname="localhost") as secure:
            yield secure


def overwrite(file: Path) -> None:
    """Put as many other bytes in the place of all, and let the clock tell."""
    with file.open("r+b") as open_file:
        open_file.write(NEW * file.stat().st_size)


def append(file: Path) -> None:
    with file.open("ab") as open_file:
        open_file.write(NEW)


def truncate(file: Path) -> None:
    os.truncate(file, SIZE // 2)


def empty(file: Path) -> None:
    os.truncate(file, 0)


def touch(file: Path) -> None:
    os.utime(file, (1, 1))


@pytest.mark.parametrize("change", [overwrite, append, truncate, empty, touch])
def test_a_file_changed_in_place_is_cut_short_of_its_length(
    depot: harness.RunningDepot, number: int, file: Path, change: Callable[[Path], None]
) -> None:
    with half_read(depot, number) as (connection, received):
        change(file)
        got = harness.answer(received + harness.read_all(connection, silence=10))
    assert got.status == 200
    assert got.get("content-length") == str(SIZE)
    assert len(got.body) < SIZE
    assert cut_line(depot).split(" ")[9] != str(SIZE)


def cut_line(depot: harness.RunningDepot) -> str:
    """Wait for the last line of the access log, which says that an answer was cut."""
    serving.wait_for(lambda: depot.access_log().rstrip("\n").endswith(" cut -"))
    return depot.access_log().splitlines()[-1]


@pytest.mark.parametrize("ranges", ["bytes=100-", "bytes=0-9000000,10000000-20000000"])
def test_a_part_of_a_file_changed_in_place_is_cut_too(
    depot: harness.RunningDepot, number: int, file: Path, ranges: str
) -> None:
    with half_read(depot, number, f"Range: {ranges}") as (connection, received):
        overwrite(file)
        got = harness.answer(received + harness.read_all(connection, silence=10))
    assert got.status == 206
    assert len(got.body) < int(got.get("content-length") or 0)


@pytest.mark.parametrize("quarters", range(1, 25))
def test_what_arrives_whole_is_one_version_wherever_the_change_falls(
    depot: harness.RunningDepot, number: int, file: Path, quarters: int
) -> None:
    # Of some of these sizes the last stretch is under way, of some it is not yet begun.
    size = quarters * MEBIBYTE // 4
    os.truncate(file, size)
    with half_read(depot, number) as (connection, received):
        overwrite(file)
        got = harness.answer(received + harness.read_all(connection, silence=10))
    assert len(got.body) < size or got.body == OLD * size


def test_a_file_replaced_by_rename_is_sent_whole_as_it_was_opened(
    depot: harness.RunningDepot, number: int, file: Path
) -> None:
    with half_read(depot, number) as (connection, received):
        other = file.with_name("other")
        other.write_bytes(NEW * SIZE)
        other.rename(file)
        got = harness.answer(received + harness.read_all(connection, silence=10))
        assert got.body == OLD * SIZE
        tls = depot.context() if number else None
        port = depot.endpoints[number].port
        fresh = harness.answer(harness.raw(port, harness.get("/file"), tls=tls))
    assert fresh.body == NEW * SIZE
    assert fresh.get("etag") != got.get("etag")


def test_a_file_removed_while_it_is_sent_is_sent_whole(
    depot: harness.RunningDepot, number: int, file: Path
) -> None:
    with half_read(depot, number) as (connection, received):
        file.unlink()
        got = harness.answer(received + harness.read_all(connection, silence=10))
        assert got.body == OLD * SIZE
        tls = depot.context() if number else None
        gone = harness.raw(depot.endpoints[number].port, harness.get("/file"), tls=tls)
    assert harness.answer(gone).status == 404
    file.touch()


def test_the_next_request_sees_the_changed_file(
    depot: harness.RunningDepot, number: int, file: Path
) -> None:
    tls = depot.context() if number else None
    port = depot.endpoints[number].port
    before = harness.answer(harness.raw(port, harness.get("/file"), tls=tls))
    overwrite(file)
    after = harness.answer(harness.raw(port, harness.get("/file"), tls=tls))
    assert (before.body, after.body) == (OLD * SIZE, NEW * SIZE)
    assert before.get("etag") != after.get("etag")
