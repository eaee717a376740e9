"""Case E03: a depot that has no descriptor left, and files that it may not open."""

from __future__ import annotations

import contextlib
import os
import socket
import time
from pathlib import Path
from typing import TYPE_CHECKING

import case_tree
import harness
import pytest
import serving
from case_tree import ALPHABET, ask

if TYPE_CHECKING:
    from collections.abc import Iterator

LIMIT = 64
LARGE = 256 * 1024 * 1024
ABORTED = 2000


def processor_seconds(pid: int) -> float:
    """Read the time that a process has had (proc_pid_stat(5), fields 14 and 15)."""
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def descriptors(pid: int) -> int:
    return len(os.listdir(f"/proc/{pid}/fd"))


@pytest.fixture
def scarce(tmp_path: Path) -> Iterator[harness.RunningDepot]:
    """Serve with at most 64 open descriptors."""
    root = case_tree.make(tmp_path)
    with (root / "large.iso").open("wb") as file:
        os.truncate(file.fileno(), LARGE)
    through = [harness.need("prlimit"), f"--nofile={LIMIT}:{LIMIT}"]
    with serving.serving(tmp_path, serving.mount("/", root), through=through) as running:
        yield running


@contextlib.contextmanager
def idle_connections(port: int, count: int) -> Iterator[list[socket.socket]]:
    with contextlib.ExitStack() as stack:
        connections = []
        for _ in range(count):
            connection = stack.enter_context(socket.socket())
            connection.setblocking(False)
            connection.connect_ex(("127.0.0.1", port))
            connections.append(connection)
        yield connections


@pytest.mark.slow
def test_a_depot_without_descriptors_waits_quietly_and_recovers(
    scarce: harness.RunningDepot,
) -> None:
    (worker,) = scarce.workers()
    with harness.connected(scarce.port) as download:
        download.sendall(harness.get("/large.iso"))
        received = len(download.recv(1 << 16))
        with idle_connections(scarce.port, 200):
            serving.wait_for(lambda: descriptors(worker) >= LIMIT)
            lines, used = scarce.log().count("\n"), processor_seconds(worker)
            time.sleep(10)
            assert scarce.log().count("\n") - lines < 100
            assert processor_seconds(worker) - used < 5
        closed = time.monotonic()
        serving.wait_for(lambda: answers(scarce))
        assert time.monotonic() - closed < 5
        while piece := download.recv(1 << 20):
            received += len(piece)
    assert received > LARGE
    assert "Traceback" not in scarce.log()


def answers(depot: harness.RunningDepot) -> bool:
    with contextlib.suppress(OSError, AssertionError):
        return harness.answer(harness.raw(depot.port, harness.get("/x"), silence=1)).status == 200
    return False


def test_a_lack_of_descriptors_is_never_told_as_a_missing_file(
    scarce: harness.RunningDepot,
) -> None:
    (worker,) = scarce.workers()
    request = b"GET /%b HTTP/1.1\r\nHost: h\r\n" + harness.AUTHORIZATION + b"\r\n"
    seen = set()
    with harness.connected(scarce.port) as connection:
        assert ask_on(connection, request % b"x").status == 200  # signed in, kept open
        with idle_connections(scarce.port, LIMIT):
            serving.wait_for(lambda: descriptors(worker) >= LIMIT)
            for target in (b"x", b"d/inner.txt", b"d/", b"d", b"none"):
                got = ask_on(connection, request % target)
                seen.add(got.status)
                assert got.status == 503, target
                assert 0 < int(got.get("retry-after") or 0) < 120
        assert seen == {503}
        serving.wait_for(lambda: descriptors(worker) < LIMIT // 2)
        assert ask_on(connection, request % b"x").body == b"x"
        assert ask_on(connection, request % b"none").status == 404


def ask_on(connection: socket.socket, request: bytes) -> harness.Answer:
    """Put one request to an open connection; its answer has a length and comes at once."""
    connection.sendall(request)
    received = b""
    while True:
        received += connection.recv(1 << 16)
        head, blank, body = received.partition(b"\r\n\r\n")
        if blank:
            got = harness.answer(head + blank + body)
            if len(body) == int(got.get("content-length") or 0):
                return got


def test_a_file_that_the_depot_may_not_read_is_forbidden(tmp_path: Path) -> None:
    root = case_tree.make(tmp_path)
    (root / "closed").mkdir()
    case_tree.put(root / "closed" / "f", ALPHABET)
    case_tree.put(root / "unreadable", ALPHABET).chmod(0)
    (root / "closed").chmod(0)
    through = harness.bound_by_modes()
    try:
        with serving.serving(tmp_path, serving.mount("/", root), through=through) as depot:
            for target in ("/unreadable", "/closed/", "/closed/f"):
                for method in ("GET", "HEAD", "OPTIONS"):
                    got = ask(depot, target, method=method)
                    assert got.status == 403, (target, method)
                    assert ALPHABET not in got.body
            assert ask(depot, "/f26.bin").status == 200
        assert "Traceback" not in depot.log()
    finally:
        (root / "closed").chmod(0o755)


@pytest.mark.slow
@pytest.mark.parametrize("listener", [serving.PLAIN, serving.TLS], ids=["plain", "tls"])
def test_no_descriptor_is_lost_to_aborted_downloads(
    tmp_path: Path, listener: dict[str, object]
) -> None:
    root = case_tree.make(tmp_path)
    with (root / "large.iso").open("wb") as file:
        os.truncate(file.fileno(), LARGE)
    mount = serving.mount("/", root)
    with serving.serving(tmp_path, mount, listeners=[listener]) as depot:
        (worker,) = depot.workers()
        tls = depot.context() if listener is serving.TLS else None
        abort(depot.port, tls, 20)  # so that threads and caches are there
        settled(worker)
        before = settled(worker)
        abort(depot.port, tls, ABORTED if tls is None else ABORTED // 10)
        serving.wait_for(lambda: descriptors(worker) <= before + 5)
    assert "Traceback" not in depot.log()


def abort(port: int, tls: object, times: int) -> None:
    """Begin downloads and go away in the middle, some by a reset."""
    for number in range(times):
        with harness.connected(port, tls=tls) as connection:  # type: ignore[arg-type]
            connection.sendall(harness.get("/large.iso" if number % 3 else "/"))
            if number % 4:
                connection.recv(4096)
            if number % 2:
                linger = (1).to_bytes(4, "little") + bytes(4)
                connection.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, linger)


def settled(worker: int) -> int:
    """Give the number of open descriptors once it stands still."""
    last = -1
    while last != descriptors(worker):
        last = descriptors(worker)
        time.sleep(0.7)
    return last
