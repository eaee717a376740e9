"""Case E04: clients that send nothing, read slowly, or stop reading.

Most of these run with short limits, since the limit's length changes nothing about its working;
one runs with the limits that depot.yaml documents.
"""

from __future__ import annotations

import contextlib
import os
import select
import socket
import time
from pathlib import Path
from typing import TYPE_CHECKING

import case_tree
import harness
import pytest
import serving
from case_tree import ask

if TYPE_CHECKING:
    from collections.abc import Iterator

LARGE = 1024 * 1024 * 1024
SHORT = {"header_seconds": 2, "idle_seconds": 4, "stalled_seconds": 3}
LATE = 3.0  # seconds after a limit by which a connection is closed even on a busy machine
STARTED = b"GET /x HTTP/1.1\r\nHost: h\r\nX-Slow: "


@pytest.fixture(scope="module")
def root(tmp_path_factory: pytest.TempPathFactory) -> Path:
    root = case_tree.make(tmp_path_factory.mktemp("slow"))
    with (root / "large.iso").open("wb") as file:
        os.truncate(file.fileno(), LARGE)
    # Fits into what the kernel holds for a connection, so that it waits for the client only.
    (root / "medium.bin").write_bytes(bytes(1024 * 1024))
    return root


@pytest.fixture(scope="module")
def depot(root: Path) -> Iterator[harness.RunningDepot]:
    """Serve with short limits, first without and then with TLS."""
    listeners = [serving.PLAIN, serving.TLS]
    mount = serving.mount("/", root)
    folder = root.parent
    with serving.serving(folder, mount, listeners=listeners, limits=SHORT) as running:
        yield running


def seconds_until_closed(connection: socket.socket, *, at_most: float) -> float:
    """Wait until the other side ends a connection; what it says until then does not matter."""
    start = time.monotonic()
    with contextlib.suppress(ConnectionError):
        connection.settimeout(at_most)
        while connection.recv(1 << 16):
            connection.settimeout(max(0.1, start + at_most - time.monotonic()))
    return time.monotonic() - start


@pytest.mark.parametrize("begun", [b"", b"\r\n", b"GET /x HT", STARTED])
def test_a_connection_whose_head_never_comes_is_closed(
    depot: harness.RunningDepot, begun: bytes
) -> None:
    with harness.connected(depot.port) as connection:
        connection.sendall(begun)
        waited = seconds_until_closed(connection, at_most=20)
    assert SHORT["header_seconds"] - 0.5 < waited < SHORT["header_seconds"] + LATE


def test_a_head_that_comes_byte_by_byte_is_given_up(depot: harness.RunningDepot) -> None:
    start = time.monotonic()
    with harness.connected(depot.port) as connection:
        connection.sendall(STARTED)
        with contextlib.suppress(ConnectionError):
            while time.monotonic() - start < 20:
                connection.sendall(b"a")
                if select.select([connection], [], [], 0.2)[0] and not connection.recv(4096):
                    break
    waited = time.monotonic() - start
    assert SHORT["header_seconds"] - 0.5 < waited < SHORT["header_seconds"] + LATE


def test_a_head_that_comes_byte_by_byte_in_time_is_answered(depot: harness.RunningDepot) -> None:
    request = harness.get("/x")
    with harness.connected(depot.port) as connection:
        for octet in request:
            connection.sendall(bytes([octet]))
        assert harness.answer(harness.read_all(connection)).body == b"x"


def test_the_second_head_on_a_connection_has_the_same_limit(depot: harness.RunningDepot) -> None:
    with harness.connected(depot.port) as connection:
        connection.sendall(harness.get("/x").replace(b"close", b"keep-alive"))
        assert connection.recv(65536).startswith(b"HTTP/1.1 200")
        time.sleep(SHORT["header_seconds"] - 0.5)
        connection.sendall(STARTED)
        waited = seconds_until_closed(connection, at_most=20)
    assert SHORT["header_seconds"] - 0.6 < waited < SHORT["header_seconds"] + LATE


def test_an_idle_connection_is_closed_after_its_own_limit(depot: harness.RunningDepot) -> None:
    with harness.connected(depot.port) as connection:
        connection.sendall(harness.get("/x").replace(b"close", b"keep-alive"))
        waited = seconds_until_closed(connection, at_most=20)
    assert SHORT["idle_seconds"] - 0.5 < waited < SHORT["idle_seconds"] + LATE


def test_a_tls_connection_without_a_hello_is_closed(depot: harness.RunningDepot) -> None:
    port = depot.endpoints[1].port
    for begun in (b"", b"\x16\x03\x01\x02\x00\x01"):
        with socket.create_connection(("127.0.0.1", port)) as connection:
            connection.sendall(begun)
            waited = seconds_until_closed(connection, at_most=20)
        assert SHORT["header_seconds"] - 0.5 < waited < SHORT["header_seconds"] + LATE


def test_a_tls_connection_without_a_head_is_closed(depot: harness.RunningDepot) -> None:
    port = depot.endpoints[1].port
    with harness.connected(port, tls=depot.context()) as connection:
        waited = seconds_until_closed(connection, at_most=20)
    assert waited < SHORT["header_seconds"] + LATE


def test_three_hundred_silent_connections_hold_up_nobody(depot: harness.RunningDepot) -> None:
    with contextlib.ExitStack() as stack:
        silent = [stack.enter_context(harness.connected(depot.port)) for _ in range(300)]
        for number, connection in enumerate(silent):
            connection.sendall(STARTED if number % 2 else b"")
        start = time.monotonic()
        assert ask(depot, "/x").body == b"x"
        assert time.monotonic() - start < 1
        deadline = time.monotonic() + SHORT["header_seconds"] + LATE + 5
        while silent and time.monotonic() < deadline:
            closed = select.select(silent, [], [], 0.5)[0]
            silent = [each for each in silent if each not in closed]
        assert not silent
    assert ask(depot, "/x").body == b"x"


@pytest.mark.slow
@pytest.mark.parametrize("number", [0, 1], ids=["plain", "tls"])
def test_a_slow_reader_is_served_past_every_limit(depot: harness.RunningDepot, number: int) -> None:
    # 20 kB a second for four times the limit on a client that takes nothing.
    tls = depot.context() if number else None
    until = time.monotonic() + 4 * SHORT["stalled_seconds"]
    received = 0
    with small_window(depot.endpoints[number].port, tls) as connection:
        connection.sendall(harness.get("/large.iso"))
        while time.monotonic() < until:
            piece = connection.recv(4096)
            assert piece
            received += len(piece)
            time.sleep(len(piece) / 20_000)
    assert received < 1_000_000
    serving.wait_for(lambda: "/large.iso" in depot.access_log())


@contextlib.contextmanager
def small_window(port: int, tls: object = None) -> Iterator[socket.socket]:
    """Connect with a receive buffer so small that little is under way unread."""
    with socket.socket() as plain:
        plain.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 16384)
        plain.settimeout(30)
        plain.connect(("127.0.0.1", port))
        if tls is None:
            yield plain
            return
        with tls.wrap_socket(plain, server_hostname="localhost") as secure:  # type: ignore[attr-defined]
            yield secure


@pytest.mark.slow
@pytest.mark.parametrize("number", [0, 1], ids=["plain", "tls"])
def test_readers_that_stop_cost_little_and_are_cut(
    depot: harness.RunningDepot, number: int
) -> None:
    (worker,) = depot.workers()
    tls = depot.context() if number else None
    port = depot.endpoints[number].port
    with contextlib.ExitStack() as stack:
        stopped = []
        for _ in range(100):
            connection = stack.enter_context(small_window(port, tls))
            stopped.append(connection)
        before = resident_bytes(worker)
        for connection in stopped:
            connection.sendall(harness.get(f"/large.iso?{number}"))
        time.sleep(SHORT["stalled_seconds"] / 2)
        assert resident_bytes(worker) - before < 50 * 1024 * 1024
        assert ask(depot, "/x").body == b"x"
        serving.wait_for(lambda: len(cut_lines(depot, f"/large.iso?{number}")) == 100, seconds=30)
        for connection in stopped:
            assert ends_early(connection)
    assert "Traceback" not in depot.log()


def test_a_reader_that_stops_when_all_is_under_way_is_cut(depot: harness.RunningDepot) -> None:
    with small_window(depot.port) as connection:
        connection.sendall(harness.get("/medium.bin?"))
        serving.wait_for(lambda: cut_lines(depot, "/medium.bin?"), seconds=15)
    assert "Traceback" not in depot.log()


def cut_lines(depot: harness.RunningDepot, target: str) -> list[str]:
    lines = depot.access_log().splitlines()
    return [line for line in lines if f"{target} " in line and line.endswith(" cut -")]


def resident_bytes(pid: int) -> int:
    """Read how much memory a process holds (proc_pid_statm(5))."""
    return int(Path(f"/proc/{pid}/statm").read_text().split()[1]) * os.sysconf("SC_PAGE_SIZE")


def ends_early(connection: socket.socket) -> bool:
    """Tell whether what is left on a connection ends long before the file would."""
    total = 0
    connection.settimeout(10)
    try:
        while piece := connection.recv(1 << 16):
            total += len(piece)
    except OSError as error:
        return not isinstance(error, TimeoutError) and total < LARGE // 8
    return total < LARGE // 8


@pytest.mark.slow
def test_the_documented_limit_for_a_head_is_kept(tmp_path: Path) -> None:
    # `conf/depot.yaml`: header_seconds is 10.
    root = case_tree.make(tmp_path)
    with contextlib.ExitStack() as stack:
        depot = stack.enter_context(serving.serving(tmp_path, serving.mount("/", root)))
        silent, dripping = (stack.enter_context(harness.connected(depot.port)) for _ in range(2))
        start = time.monotonic()
        with contextlib.suppress(ConnectionError):
            for octet in STARTED[:8]:
                dripping.sendall(bytes([octet]))
                if select.select([dripping], [], [], 5)[0]:
                    break
        assert 9 < time.monotonic() - start < 10 + LATE
        assert seconds_until_closed(silent, at_most=20) < LATE
