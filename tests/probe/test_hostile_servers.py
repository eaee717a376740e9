"""Servers that mean ill: every read and every wait of the probe ends, and no passphrase leaks."""

from __future__ import annotations

import contextlib
import struct
import time
from typing import TYPE_CHECKING, Callable

import attrs
import papers
import pytest
from looking import LIMITS, faults, look, of, words
from stubs import CONTENT, FIELD, PASSPHRASE, Asked, Shelf, Stub, listening, read_head, saying

from depotserve.probe import State

if TYPE_CHECKING:
    import socket
    from pathlib import Path

    from stubs import Serve

SHORT = attrs.evolve(LIMITS, connect=2, handshake=2, answer=2, file=2, total=20)
ENOUGH = 45.0  # seconds: more than all of SHORT's together, on a busy machine
_HELLO = b"\x03\x03" + b"r" * 32 + b"\x00" + b"\xc0\x2f" + b"\x00" + b"\x00\x05\xff\x01\x00\x01\x00"


def endless(begin: bytes, more: bytes, pause: float = 0.0) -> Serve:
    """Answer each request with `begin`, then `more` for ever."""

    def serve(connection: socket.socket, stub: Stub) -> None:
        head = read_head(connection)
        if head:
            stub.asked.append(Asked.of(head))
        connection.sendall(begin)
        while True:
            time.sleep(pause)
            connection.sendall(more)

    return serve


def record(kind: int, content: bytes) -> bytes:
    """Write a record of TLS 1.2 (RFC 5246 section 6.2.1)."""
    return struct.pack(">BHH", kind, 0x0303, len(content)) + content


def huge_certificate(connection: socket.socket, _stub: Stub) -> None:
    """Take a ClientHello and say a Certificate message of 10 MB."""
    connection.recv(1 << 16)
    hello = b"\x02" + len(_HELLO).to_bytes(3, "big") + _HELLO
    connection.sendall(record(22, hello))
    connection.sendall(record(22, b"\x0b" + (10_000_000).to_bytes(3, "big") + bytes(16_000)))
    while True:
        connection.sendall(record(22, bytes(16_000)))


def garbage(connection: socket.socket, _stub: Stub) -> None:
    """Take a ClientHello and say what is no TLS."""
    connection.recv(1 << 16)
    connection.sendall(b"\x00\xffgarbage\r\n" * 1000)


def half_a_hello(connection: socket.socket, _stub: Stub) -> None:
    """Begin a record and stop."""
    connection.recv(1 << 16)
    connection.sendall(b"\x16\x03\x03\x40\x00\x02")
    with contextlib.suppress(OSError):
        connection.recv(1)
        time.sleep(10)


# What is served in plain HTTP -> the check at fault and a word of what is said.
OVER_HTTP: dict[str, tuple[Serve, str, str]] = {
    "an endless header line": (endless(b"HTTP/1.1 200 OK\r\nX: ", b"x" * 65536), "answer", "long"),
    "endless header lines": (endless(b"HTTP/1.1 200 OK\r\n", b"X: y\r\n" * 9000), "answer", "long"),
    "headers that drip": (endless(b"HTTP/1.1 200 OK\r\n", b"X: y\r\n", 0.1), "answer", "within"),
    "an endless line of a status": (endless(b"HTTP/1.1 200 ", b"O" * 65536), "answer", "long"),
    "interim answers for ever": (
        endless(b"", b"HTTP/1.1 100 Continue\r\n\r\n"),
        "answer",
        "interim",
    ),
    "silence": (endless(b"", b"", 0.1), "answer", "within 2 s"),
    "a length that is no number": (
        saying(b"HTTP/1.1 200 OK\r\nContent-Length: ten\r\n\r\n"),
        "answer",
        "no number",
    ),
    "a line that is no field": (saying(b"HTTP/1.1 200 OK\r\n\x00\r\n\r\n"), "answer", "no field"),
    "a chunk that is no number": (
        saying(b"HTTP/1.1 200 OK\r\nTransfer-Encoding: chunked\r\n\r\n-1\r\n"),
        "answer",
        "no number",
    ),
    "a version of the future": (saying(b"HTTP/3.0 200 OK\r\n\r\n"), "answer", "status line"),
    "a body that drips": (
        endless(b"HTTP/1.1 200 OK\r\nContent-Length: 999999\r\n\r\n", b"x", 0.2),
        "",
        "",
    ),
    "an endless body": (endless(b"HTTP/1.1 200 OK\r\n\r\n", b"x" * 65536), "", ""),
    "endless chunks": (
        endless(b"HTTP/1.1 200 OK\r\nTransfer-Encoding: chunked\r\n\r\n", b"8\r\n12345678\r\n"),
        "",
        "",
    ),
}


@pytest.mark.parametrize("name", OVER_HTTP)
def test_over_http_all_reading_and_waiting_ends(name: str) -> None:
    serve, check, word = OVER_HTTP[name]
    start = time.monotonic()
    with listening(serve) as stub:
        report = look(f"http://localhost:{stub.port}/", limits=SHORT)
    assert time.monotonic() - start < ENOUGH
    assert len(report.findings) == 18
    assert not stub.authorizations
    if check:
        assert faults(report)[0] == check
        assert word in words(report.first)
    else:
        assert of(report, "answer").state is State.PASS
        assert of(report, "listing").state is not State.PASS


OVER_TLS: dict[str, tuple[Callable[[socket.socket, Stub], None], str]] = {
    "a certificate message of 10 MB": (huge_certificate, "broke off"),
    "garbage after the hello": (garbage, "something that is not TLS"),
    "half a hello": (half_a_hello, "no TLS handshake within 2 s"),
    "an alert": (saying(record(21, b"\x02\x28"), wait_for_head=False), "alert 40"),
    "an alert about the name": (saying(record(21, b"\x02\x70"), wait_for_head=False), "alert 112"),
    "an end": (saying(b"", wait_for_head=False), "broke off"),
}


@pytest.mark.parametrize("name", OVER_TLS)
def test_over_tls_all_reading_and_waiting_ends(name: str) -> None:
    serve, word = OVER_TLS[name]
    start = time.monotonic()
    with listening(serve) as stub:
        report = look(f"https://localhost:{stub.port}/", limits=SHORT)
    assert time.monotonic() - start < ENOUGH
    assert faults(report) == ["handshake"]
    assert word in words(report.first)
    assert len(report.findings) == 23


def test_a_slow_depot_is_left_when_the_time_for_all_checks_is_over(tmp_path: Path) -> None:
    slow = Shelf()

    def serve(connection: socket.socket, stub: Stub) -> None:
        time.sleep(0.8)
        slow(connection, stub)

    limits = attrs.evolve(LIMITS, total=2)
    slow.closes = True
    root = papers.authority()
    (tmp_path / "ca.pem").write_bytes(root.pem)
    with listening(serve, papers.context(tmp_path, papers.leaf(root))) as stub:
        report = look(f"https://localhost:{stub.port}/", tmp_path / "ca.pem", limits=limits)
    assert "the 2.1 s for all checks are over" in report.findings[-1].seen
    assert report.findings[-1].state is State.UNKNOWN


def test_a_passphrase_that_a_server_sends_back_is_not_shown(tmp_path: Path) -> None:
    root = papers.authority()
    (tmp_path / "ca.pem").write_bytes(root.pem)
    shelf = Shelf()

    def serve(connection: socket.socket, stub: Stub) -> None:
        while head := read_head(connection):
            stub.asked.append(Asked.of(head))
            field = stub.asked[-1].fields.get("authorization", "")
            shelf.challenge = f'Basic realm="{field} {PASSPHRASE}"'
            shelf.redirect = f"https://x.example/{field[6:]}/{PASSPHRASE}" if field == FIELD else ""
            connection.sendall(shelf.bytes_for(stub.asked[-1]))

    with listening(serve, papers.context(tmp_path, papers.leaf(root))) as stub:
        report = look(f"https://localhost:{stub.port}/", tmp_path / "ca.pem")
    assert FIELD in stub.authorizations
    assert faults(report) == ["signing in"]
    said = " ".join(map(words, report.findings))
    assert "[passphrase]" in said
    assert PASSPHRASE not in said
    assert FIELD[6:] not in said


# X07: the size of a coded answer says nothing, its digest decides.
@pytest.mark.parametrize("right", [True, False])
def test_of_an_answer_that_comes_coded_the_digest_decides(tmp_path: Path, right: bool) -> None:
    root = papers.authority()
    (tmp_path / "ca.pem").write_bytes(root.pem)
    shelf = Shelf(coded=True, listed=CONTENT if right else b"other")
    with listening(shelf, papers.context(tmp_path, papers.leaf(root))) as stub:
        report = look(f"https://localhost:{stub.port}/", tmp_path / "ca.pem")
    assert {one.fields["accept-encoding"] for one in stub.asked} == {"identity"}
    assert "coded as gzip though asked not to be" in of(report, "file").seen
    assert of(report, "ranges").state is State.UNKNOWN
    assert faults(report) == ([] if right else ["digest"])
