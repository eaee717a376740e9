"""Cases A15 and A16: old clients, doubtful heads, and bodies that nobody asked for."""

from __future__ import annotations

import time
from typing import TYPE_CHECKING

import case_tree
import harness
import pytest
import serving
from case_tree import ALPHABET
from serving import Received

if TYPE_CHECKING:
    from collections.abc import Iterator

SIGNED = harness.AUTHORIZATION
# A second request, in the place of a body (A16).
SMUGGLED = b"GET /f26.bin HTTP/1.1\r\nHost: h\r\n" + SIGNED + b"\r\n"
IDLE_SECONDS = 3


@pytest.fixture(scope="module")
def depot(tmp_path_factory: pytest.TempPathFactory) -> Iterator[harness.RunningDepot]:
    root = case_tree.make(tmp_path_factory.mktemp("protocol"))
    limits = {"idle_seconds": IDLE_SECONDS, "header_seconds": 3}
    with serving.serving(root.parent, serving.mount("/", root), limits=limits) as running:
        yield running


def send(depot: harness.RunningDepot, request: bytes) -> Received:
    """Send bytes; read until the depot closes, or falls silent past its idle limit."""
    return serving.ask(depot.port, request, quiet=IDLE_SECONDS + 5)


# A15: RFC 9112 sections 3.2, 6.1, 6.3 and 9.3.
def test_http_1_0_without_host_is_answered_and_closed(depot: harness.RunningDepot) -> None:
    start = time.monotonic()
    received = send(depot, b"GET /f26.bin HTTP/1.0\r\n" + SIGNED + b"\r\n")
    got = harness.answer(received.data)
    assert (got.status, got.body, got.get("content-length")) == (200, ALPHABET, "26")
    assert got.get("transfer-encoding") is None
    assert received.closed
    assert time.monotonic() - start < IDLE_SECONDS


def test_http_1_0_may_ask_for_a_connection_that_stays(depot: harness.RunningDepot) -> None:
    request = b"GET /f26.bin HTTP/1.0\r\nConnection: keep-alive\r\n" + SIGNED + b"\r\n"
    received = send(depot, request + request)
    assert received.answers == 2
    assert harness.answer(received.data).get("connection") == "keep-alive"


def test_a_listing_for_http_1_0_ends_with_the_connection(depot: harness.RunningDepot) -> None:
    for option in (b"", b"Connection: keep-alive\r\n"):
        start = time.monotonic()
        received = send(depot, b"GET /d/ HTTP/1.0\r\n" + option + SIGNED + b"\r\n")
        got = harness.answer(received.data)
        assert got.status == 200
        assert got.get("transfer-encoding") is None
        assert got.get("content-length") in {None, str(len(got.body))}
        assert b"inner.txt" in got.body
        assert received.closed
        assert time.monotonic() - start < IDLE_SECONDS


@pytest.mark.parametrize(
    "head",
    [
        b"GET /f26.bin HTTP/1.1\r\n",
        b"GET /f26.bin HTTP/1.1\r\nHost: a\r\nHost: b\r\n",
        b"GET /f26.bin HTTP/1.1\r\nHost: a\r\nhost: a\r\n",
        b"GET /f26.bin HTTP/1.1\r\nHost: a b\r\n",
        b"GET /f26.bin HTTP/1.1\r\nHost: h\r\nContent-Length: +5\r\n",
        b"GET /f26.bin HTTP/1.1\r\nHost: h\r\nContent-Length: 5, 6\r\n",
        b"GET /f26.bin HTTP/1.1\r\nHost: h\r\nContent-Length: 5\r\nTransfer-Encoding: chunked\r\n",
    ],
)
def test_a_doubtful_head_is_refused_and_the_connection_closed(
    depot: harness.RunningDepot, head: bytes
) -> None:
    received = send(depot, head + SIGNED + b"\r\nhello")
    assert received.status == 400
    assert received.answers == 1
    assert received.closed
    assert ALPHABET not in received.data


def test_a_request_line_of_two_words_gets_no_content(depot: harness.RunningDepot) -> None:
    received = send(depot, b"GET /f26.bin\r\n\r\n")
    assert received.status in {None, 400}
    assert received.closed
    assert ALPHABET not in received.data


@pytest.mark.parametrize("version", [b"HTTP/1.0", b"HTTP/1.1"])
def test_every_version_needs_credentials(depot: harness.RunningDepot, version: bytes) -> None:
    received = send(depot, b"GET /f26.bin " + version + b"\r\nHost: h\r\n\r\n")
    assert received.status == 401


# A16: RFC 9112 sections 9.3 and 9.6, RFC 9110 section 10.1.1.
@pytest.mark.parametrize("method", [b"POST", b"GET", b"PUT"])
@pytest.mark.parametrize("signed", [b"", SIGNED])
def test_a_body_is_never_answered_as_a_request(
    depot: harness.RunningDepot, method: bytes, signed: bytes
) -> None:
    length = b"Content-Length: %d\r\n\r\n" % len(SMUGGLED)
    received = send(depot, method + b" /x HTTP/1.1\r\nHost: h\r\n" + signed + length + SMUGGLED)
    assert received.answers == 1
    assert received.status == (405 if method != b"GET" else 200 if signed else 401)
    assert ALPHABET not in received.data
    assert received.closed


def test_a_body_sent_in_chunks_is_never_answered_as_a_request(depot: harness.RunningDepot) -> None:
    head = b"POST /x HTTP/1.1\r\nHost: h\r\nTransfer-Encoding: chunked\r\n\r\n"
    body = b"%x\r\n%b\r\n0\r\n\r\n" % (len(SMUGGLED), SMUGGLED)
    received = send(depot, head + body)
    assert (received.answers, received.status) == (1, 405)
    assert received.closed


def test_the_answer_to_an_expectation_comes_before_the_body(depot: harness.RunningDepot) -> None:
    head = b"POST /x HTTP/1.1\r\nHost: h\r\nExpect: 100-continue\r\nContent-Length: 100\r\n\r\n"
    start = time.monotonic()
    received = send(depot, head)
    assert received.status == 405
    assert b" 100 " not in received.data.partition(b"\r\n")[0]
    assert received.closed
    assert time.monotonic() - start < IDLE_SECONDS + 3


@pytest.mark.parametrize("method", [b"POST", b"GET"])
def test_ten_gigabytes_that_never_come_are_not_waited_for(
    depot: harness.RunningDepot, method: bytes
) -> None:
    length = b"Content-Length: 10000000000\r\n\r\n"
    start = time.monotonic()
    with harness.connected(depot.port) as connection:
        connection.sendall(method + b" /x HTTP/1.1\r\nHost: h\r\n" + length)
        first = connection.recv(65536)
        answered = time.monotonic() - start
        rest = harness.read_all(connection, silence=IDLE_SECONDS + 5)
        closed = time.monotonic() - start
    assert first.split(b" ")[1] == (b"405" if method == b"POST" else b"401")
    assert b"HTTP/1.1" not in rest
    assert answered < 1
    assert closed < IDLE_SECONDS + 3
