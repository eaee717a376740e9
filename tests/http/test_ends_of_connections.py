"""Endings that once went wrong: what was asked is answered, and nothing is stuck."""

from __future__ import annotations

import contextlib
import os
import socket
import ssl
import subprocess
import time
from typing import TYPE_CHECKING

import harness
import pytest
import serving

from depotserve.config import Limits
from depotserve.http.parsing import HeadReader

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

SECONDS = 60.0
MEBIBYTE = 1024 * 1024


def kept(target: str, *fields: str) -> bytes:
    """Make a request that keeps its connection."""
    return harness.get(target, *fields).replace(b"Connection: close\r\n", b"")


@contextlib.contextmanager
def plain_depot(folder: Path, **settings: object) -> Iterator[harness.RunningDepot]:
    (folder / "tree").mkdir(exist_ok=True)
    (folder / "tree" / "small").write_bytes(b"small")
    mount = serving.mount("/", folder / "tree", "anonymous")
    with serving.serving(folder, mount, **settings) as depot:
        yield depot
    assert "Traceback" not in depot.log()


def is_answered(depot: harness.RunningDepot) -> bool:
    with socket.create_connection(("127.0.0.1", depot.port), SECONDS) as client:
        client.sendall(harness.get("/small"))
        return client.recv(100).startswith(b"HTTP/1.1 200 ")


def end_with_a_request(depot: harness.RunningDepot, request: bytes) -> bytes:
    """Send a request and the closure alert in one write; give the whole answer."""
    incoming, outgoing = ssl.MemoryBIO(), ssl.MemoryBIO()
    tls = depot.context().wrap_bio(incoming, outgoing, server_hostname="localhost")
    with socket.create_connection(("127.0.0.1", depot.port), SECONDS) as wire:
        while True:
            try:
                tls.do_handshake()
                break
            except ssl.SSLWantReadError:
                wire.sendall(outgoing.read())
                incoming.write(wire.recv(65536))
        tls.write(request)
        with contextlib.suppress(ssl.SSLError):
            tls.unwrap()
        wire.sendall(outgoing.read())
        received = b""
        while piece := wire.recv(65536):
            incoming.write(piece)
            with contextlib.suppress(ssl.SSLError):
                while data := tls.read(65536):
                    received += data
    return received


@pytest.mark.parametrize("count", [1, 3, 20])
def test_a_closure_alert_right_behind_requests_takes_no_answer_away(
    tmp_path: Path, count: int
) -> None:
    # RFC 8446 section 6.1: the alert ends the client's side alone.
    (tmp_path / "tree").mkdir()
    (tmp_path / "tree" / "small").write_bytes(b"small")
    with harness.running_depot(tmp_path, tmp_path / "tree") as depot:
        # The second time nothing has to wait for the passphrase to be checked.
        for _ in range(2):
            received = end_with_a_request(depot, kept("/small") * count)
    assert received.count(b"HTTP/1.1 200 ") == count
    assert received.endswith(b"small")


def test_a_file_that_is_cut_short_in_its_last_bytes_stops_nobody(tmp_path: Path) -> None:
    size = 12 * MEBIBYTE
    with plain_depot(tmp_path, workers=1) as depot, socket.socket() as slow:
        large = tmp_path / "tree" / "large"
        large.write_bytes(os.urandom(size))
        slow.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
        slow.connect(("127.0.0.1", depot.port))
        # Spans of which each is a last one, so that one of them is under way at any moment.
        spans = ",".join(f"{start}-{start + 99_999}" for start in range(0, size, MEBIBYTE))
        slow.sendall(kept("/large", f"Range: bytes={spans}") * 8)
        time.sleep(1)
        os.truncate(large, 0)
        slow.settimeout(SECONDS)
        with contextlib.suppress(ConnectionError):
            while slow.recv(65536):
                pass
        assert is_answered(depot)


def test_a_client_that_fills_the_line_ends_its_side_and_reads_nothing_is_let_go(
    tmp_path: Path,
) -> None:
    limits = {"header_seconds": 2, "idle_seconds": 3, "stalled_seconds": 3}
    with plain_depot(tmp_path, workers=1, limits=limits) as depot, contextlib.ExitStack() as stack:
        (tmp_path / "tree" / "piece").write_bytes(bytes(65000))
        descriptors = f"/proc/{depot.workers()[0]}/fd"
        assert is_answered(depot)
        time.sleep(0.5)
        before = len(os.listdir(descriptors))
        clients = [stack.enter_context(socket.socket()) for _ in range(9)]
        for client in clients:
            client.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 2048)
            client.connect(("127.0.0.1", depot.port))
        # Somewhere between these numbers the kernel has room for a part of the last answer.
        for number in range(42):
            for place, client in enumerate(clients):
                if number < 33 + place:
                    client.sendall(kept("/piece"))
                elif number == 33 + place:
                    client.shutdown(socket.SHUT_WR)
            time.sleep(0.02)
        serving.wait_for(lambda: len(os.listdir(descriptors)) <= before, seconds=SECONDS)
        assert is_answered(depot)


def test_a_disk_that_is_slow_is_not_taken_for_a_client_that_is(tmp_path: Path) -> None:
    with plain_depot(tmp_path, workers=1, limits={"stalled_seconds": 1}) as depot:
        for number in range(100):
            (tmp_path / "tree" / f"unit-{number}").touch()
        # Each look at a name takes 30 ms, 3 s in all: sorting by size needs them all.
        strace = [harness.need("strace"), "-f", "-qq", "-o", "/dev/null", "-e", "trace=newfstatat"]
        strace += ["-e", "inject=newfstatat:delay_enter=30000", "-p", str(depot.workers()[0])]
        with subprocess.Popen(strace) as slowing:
            time.sleep(1)
            with socket.create_connection(("127.0.0.1", depot.port), SECONDS) as client:
                client.sendall(harness.get("/?sort=size", "Accept: application/json"))
                received = b""
                while piece := client.recv(65536):
                    received += piece
            slowing.terminate()
    assert received.endswith(b"0\r\n\r\n")
    assert received.count(b'"unit-') >= 100


@pytest.mark.parametrize("line", [b"\n", b"\r\n", b"\r"])
async def test_empty_lines_without_end_take_little_time(line: bytes) -> None:
    # RFC 9112 section 2.2 lets them stand before a request; a mebibyte of them once took 10 s.
    reader = HeadReader(Limits())
    begun = time.process_time()
    for _ in range(16):
        reader.take(line * (65536 // len(line)))
        assert reader.next() is None
    assert time.process_time() - begun < 2
