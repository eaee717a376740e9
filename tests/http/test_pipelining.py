"""Requests that come before their answers have gone: RFC 9112 sections 9.3.2 and 9.6.

Each is answered, in order and whole, however the bytes fall into segments; nothing that follows a
request's end is lost or taken for something else.
"""

from __future__ import annotations

import contextlib
import socket
import time
from typing import TYPE_CHECKING, Callable

import harness
import pytest
import serving
from asking_kit import Turn, mixed_turns, same, seeded
from sending_kit import SMALL, Client, Way, client_on, kept, way_into

if TYPE_CHECKING:
    from collections.abc import Iterator

CONTENT = seeded(5).randbytes(65537)
# More than the kernel holds for a reader that takes nothing.
LONG = seeded(6).randbytes(8 * 1024 * 1024)
COUNTS = (2, 16, 17, 200)
PARSERS = {"compiled": {}, "pure Python": {"AIOHTTP_NO_EXTENSIONS": "1"}}


@pytest.fixture(scope="module", params=PARSERS)
def depot(
    tmp_path_factory: pytest.TempPathFactory, request: pytest.FixtureRequest
) -> Iterator[harness.RunningDepot]:
    folder = tmp_path_factory.mktemp("pipelining")
    (folder / "tree").mkdir()
    (folder / "tree" / "file.bin").write_bytes(CONTENT)
    (folder / "tree" / "long.bin").write_bytes(LONG)
    (folder / "tree" / "x").write_bytes(b"x")
    mount = serving.mount("/", folder / "tree")
    listeners = [serving.PLAIN, serving.TLS]
    environment = PARSERS[request.param]
    limits = {"header_seconds": 5, "target_bytes": 1000, "header_bytes": 4000}
    with serving.serving(
        folder, mount, listeners=listeners, env=environment, limits=limits
    ) as running:
        yield running
    assert "Traceback" not in running.log()
    assert "failed" not in running.log()


@pytest.fixture(params=["plain", "tls 1.3"])
def way(depot: harness.RunningDepot, request: pytest.FixtureRequest) -> Way:
    return way_into(depot, request.param)


def turns_of(count: int) -> list[Turn]:
    """Make requests whose answers all differ, HEAD and answers without a body among them."""
    return mixed_turns(seeded(count), "file.bin", CONTENT, count)


def small_turns(count: int) -> list[Turn]:
    """Make requests for one byte each, every one another."""
    return [part_turn(number * 7) for number in range(count)]


def part_turn(at: int) -> Turn:
    def check(got: harness.Answer) -> None:
        assert got.get("content-range") == f"bytes {at}-{at}/{len(CONTENT)}"
        assert got.body == CONTENT[at : at + 1]

    return Turn(kept("/file.bin", f"Range: bytes={at}-{at}"), "GET", 206, check)


def joined(turns: list[Turn]) -> bytes:
    return b"".join(turn.request for turn in turns)


def assert_next_is_answered(client: Client) -> None:
    """Check that a connection goes on, in step."""
    client.send(harness.get("/x"))
    assert client.answer().body == b"x"
    assert client.to_end() == (b"", "end")


# However they fall into segments.


@pytest.mark.parametrize("count", COUNTS)
def test_requests_in_one_segment_are_answered_in_order(way: Way, count: int) -> None:
    turns = turns_of(count)
    with client_on(way) as client:
        client.send(joined(turns))
        for turn in turns:
            turn.take(client)
        assert_next_is_answered(client)


def test_requests_byte_by_byte_are_answered_in_order(way: Way) -> None:
    turns = turns_of(5)
    with client_on(way) as client:
        for octet in joined(turns):
            client.send(bytes([octet]))
        for turn in turns:
            turn.take(client)
        assert_next_is_answered(client)


def test_requests_split_at_any_place_are_answered_in_order(way: Way) -> None:
    turns = small_turns(2)
    requests = joined(turns)
    with client_on(way) as client:
        for place in range(1, len(requests)):
            client.send(requests[:place])
            time.sleep(0.001)  # so that the depot has read it
            client.send(requests[place:])
            for turn in turns:
                turn.take(client)
        assert_next_is_answered(client)


@pytest.mark.parametrize("length", [7, 100, 1000, 4099, 65536])
def test_requests_in_pieces_of_any_length_are_answered_in_order(way: Way, length: int) -> None:
    turns = turns_of(100)
    with client_on(way) as client:
        client.send_meanwhile(joined(turns), length)
        for turn in turns:
            turn.take(client)
        assert_next_is_answered(client)


def test_two_thousand_requests_are_held_and_let_in_again_until_all_are_answered(way: Way) -> None:
    turns = small_turns(2000)
    with client_on(way) as client:
        # Sooner than the depot can answer, and more than it takes ahead of its answers.
        client.send_meanwhile(joined(turns), 1 << 14)
        for turn in turns:
            turn.take(client)


def test_all_are_answered_to_a_client_that_reads_only_when_it_has_sent_all(way: Way) -> None:
    turns = turns_of(200)
    with client_on(way, buffer=SMALL) as client:
        client.send(joined(turns))
        time.sleep(1)
        for turn in turns:
            turn.take(client)


@pytest.mark.parametrize("count", COUNTS)
def test_small_answers_follow_a_large_one_that_a_slow_reader_takes(way: Way, count: int) -> None:
    turns = turns_of(count)
    with client_on(way, buffer=SMALL) as client:
        client.send(kept("/long.bin") + joined(turns))
        head = client.head()
        assert head.get("content-length") == str(len(LONG))
        time.sleep(0.3)
        assert same(client.exactly(len(LONG)), LONG)
        for turn in turns:
            turn.take(client)
        assert_next_is_answered(client)


def test_large_and_small_in_turns_are_answered_in_order(way: Way) -> None:
    turns = turns_of(6)
    with client_on(way) as client:
        client.send(b"".join(kept("/long.bin") + turn.request for turn in turns))
        for turn in turns:
            assert same(client.answer().body, LONG)
            turn.take(client)


def test_empty_lines_between_requests_are_passed_over(way: Way) -> None:
    # RFC 9112 section 2.2.
    turns = small_turns(3)
    with client_on(way) as client:
        client.send(b"\r\n" + b"\r\n".join(turn.request for turn in turns))
        for turn in turns:
            turn.take(client)
        assert_next_is_answered(client)


def test_each_request_has_a_line_of_its_own_in_the_order_of_the_answers(
    depot: harness.RunningDepot, way: Way
) -> None:
    mark = f"{way.port}-{time.monotonic_ns()}"
    requests = [kept(f"/x?{mark}-{number}") for number in range(50)]
    with client_on(way) as client:
        client.send(b"".join(requests) + kept("/long.bin") + kept(f"/none?{mark}-50"))
        for _ in range(52):
            client.answer()
    serving.wait_for(lambda: depot.access_log().count(mark) == 51)
    lines = [line for line in depot.access_log().splitlines() if mark in line]
    found = [(int(line.split("?")[1].split()[0].split("-")[2]), line.split()[8]) for line in lines]
    assert found == [*((number, "200") for number in range(50)), (50, "404")]


# The client ends its side.


@pytest.mark.parametrize("count", [1, *COUNTS])
def test_a_client_that_has_asked_all_and_ends_its_side_gets_all(way: Way, count: int) -> None:
    turns = turns_of(count)
    with client_on(way) as client:
        client.send(joined(turns))
        end_side(client)
        for turn in turns:
            turn.take(client)
        assert client.to_end() == (b"", "end")


def end_side(client: Client) -> None:
    """End the client's side of the socket; under TLS its closure alert would end both."""
    # SSLSocket.shutdown would forget the TLS of the side that is left.
    socket.socket.shutdown(client.socket, socket.SHUT_WR)


def test_a_client_that_ends_its_side_gets_a_large_answer_and_those_behind_it(way: Way) -> None:
    turns = turns_of(20)
    with client_on(way, buffer=SMALL) as client:
        client.send(kept("/long.bin") + joined(turns))
        end_side(client)
        assert same(client.answer().body, LONG)
        for turn in turns:
            turn.take(client)
        assert client.to_end() == (b"", "end")


@pytest.mark.parametrize("part", [b"G", b"GET /x HTTP/1.1\r\n", kept("/x")[:-2], kept("/x")[:-1]])
def test_what_is_whole_is_answered_when_the_client_ends_within_a_request(
    way: Way, part: bytes
) -> None:
    turns = turns_of(17)
    start = time.monotonic()
    with client_on(way) as client:
        client.send(joined(turns) + part)
        end_side(client)
        for turn in turns:
            turn.take(client)
        rest, _ = client.to_end()
    # RFC 9112 section 8: what came of an incomplete request is not used; a 400 may be said.
    assert rest == b"" or harness.answer(rest).status == 400
    assert time.monotonic() - start < 15


def test_requests_after_one_that_closes_are_not_answered(way: Way) -> None:
    # RFC 9112 section 9.6.
    with client_on(way) as client:
        client.send(kept("/x") + harness.get("/x") + kept("/file.bin") * 30)
        assert client.answer().body == b"x"
        last = client.answer()
        assert (last.body, last.get("connection")) == (b"x", "close")
        assert client.to_end() == (b"", "end")


# What can't be answered as asked, behind what can.


HOST = b"Host: h\r\n"
REST = b" HTTP/1.1\r\n" + HOST
BAD: dict[str, tuple[bytes, int]] = {
    "noise": (b"\x00\xff\x16\x03\x01garbage\r\n\r\n", 400),
    "a TLS hello": (b"\x16\x03\x01\x02\x00\x01\x00\x01\xfc\x03\x03\r\n\r\n", 400),
    "one word": (b"GARBAGE\r\n\r\n", 400),
    "no Host": (b"GET /x HTTP/1.1\r\n\r\n", 400),
    "two Hosts": (b"GET /x" + REST + HOST + b"\r\n", 400),
    "two lengths": (b"GET /x" + REST + b"Content-Length: 1\r\nContent-Length: 2\r\n\r\n", 400),
    "two framings": (
        b"GET /x" + REST + b"Content-Length: 5\r\nTransfer-Encoding: chunked\r\n\r\n0\r\n\r\n",
        400,
    ),
    "a blank before a colon": (b"GET /x" + REST + b"X : y\r\n\r\n", 400),
    "another method": (b"BREW /x" + REST + b"\r\n", 405),
    "another version": (b"GET /x HTTP/2.0\r\n" + HOST + b"\r\n", 505),
    "a long target": (b"GET /" + b"a" * 1100 + REST + b"\r\n", 414),
    "a large field": (b"GET /x" + REST + b"X: " + b"a" * 5000 + b"\r\n\r\n", 431),
}


@pytest.mark.parametrize("case", BAD)
def test_a_bad_request_is_answered_after_the_good_ones_and_nothing_after_it(
    way: Way, case: str
) -> None:
    bad, status = BAD[case]
    for count in (1, 3, 16, 17, 40):
        turns = turns_of(count)
        with client_on(way) as client:
            client.send(joined(turns) + bad + kept("/x"))
            for turn in turns:
                turn.take(client)
            assert_last(client, status)


def assert_last(client: Client, status: int) -> None:
    """Check that an answer is there, says that it is the last, and is."""
    got = client.answer()
    assert (got.status, got.get("connection")) == (status, "close")
    assert client.to_end() == (b"", "end")


@pytest.mark.parametrize("case", BAD)
def test_a_bad_request_is_answered_after_a_large_answer_under_way(way: Way, case: str) -> None:
    bad, status = BAD[case]
    with client_on(way, buffer=SMALL) as client:
        client.send(kept("/long.bin"))
        client.head()
        client.send(bad)
        assert same(client.exactly(len(LONG)), LONG)
        assert_last(client, status)


@pytest.mark.parametrize(
    "junk",
    [b"junk\r\n", b"\x00" * 50, b" ", b"HTTP/1.1 200 OK\r\n\r\n"],
    ids=["word", "zeros", "blank", "answer"],
)
def test_junk_after_a_request_changes_nothing_about_its_answer(way: Way, junk: bytes) -> None:
    with client_on(way) as client:
        client.send(kept("/file.bin") + junk)
        end_side(client)
        assert same(client.answer().body, CONTENT)
        rest, _ = client.to_end()
    assert rest == b"" or harness.answer(rest).status == 400


# Requests with a body, whose answer comes and whose connection ends (section 9.3 of RFC 9112).


def with_length(body: bytes, method: str = "GET") -> bytes:
    return kept("/x", f"Content-Length: {len(body)}", method=method) + body


def in_chunks(body: bytes, method: str = "GET") -> bytes:
    length = len(body) // 7 + 1
    pieces = [body[at : at + length] for at in range(0, len(body), length)]
    chunks = b"".join(b"%x\r\n%b\r\n" % (len(piece), piece) for piece in pieces)
    return kept("/x", "Transfer-Encoding: chunked", method=method) + chunks + b"0\r\n\r\n"


@pytest.mark.parametrize("size", [1, 5000, 100_000, 4_000_000])
@pytest.mark.parametrize("framed", [with_length, in_chunks])
@pytest.mark.parametrize("method", ["GET", "POST"])
def test_the_answer_to_a_request_with_a_body_is_not_lost_to_a_reset(
    way: Way, size: int, framed: Callable[..., bytes], method: str
) -> None:
    with client_on(way) as client:
        request = framed(b"b" * size, method) + kept("/file.bin")
        # As a client that reads only when it has said all.
        client.send(request)
        assert_body_is_refused(client, method)


def assert_body_is_refused(client: Client, method: str) -> None:
    got = client.answer()
    assert got.status == (200 if method == "GET" else 405)
    assert got.get("connection") == "close"
    assert method == "POST" or got.body == b"x"
    assert client.to_end() == (b"", "end")


@pytest.mark.parametrize("framed", [with_length, in_chunks])
@pytest.mark.parametrize("method", ["GET", "POST"])
def test_a_request_with_a_body_is_answered_after_those_before_it(
    way: Way, framed: Callable[..., bytes], method: str
) -> None:
    turns = turns_of(17)
    with client_on(way) as client:
        client.send(joined(turns) + framed(kept("/file.bin") * 20, method))
        for turn in turns:
            turn.take(client)
        assert_body_is_refused(client, method)


@pytest.mark.parametrize("framed", [with_length, in_chunks])
def test_a_body_may_come_in_drops_after_its_answer_and_is_read_away(
    way: Way, framed: Callable[..., bytes]
) -> None:
    request = framed(b"b" * 3000)
    with client_on(way) as client:
        for start in range(0, len(request), 500):
            client.send(request[start : start + 500])
            time.sleep(0.05)
        assert_body_is_refused(client, "GET")


def test_a_body_of_no_bytes_is_none(way: Way) -> None:
    with client_on(way) as client:
        client.send(kept("/x", "Content-Length: 0") * 3)
        for _ in range(3):
            assert client.answer().body == b"x"
        assert_next_is_answered(client)


# Fields that ask for another way to talk; each is left unanswered, and the talk goes on.


@pytest.mark.parametrize(
    "fields",
    [
        ["Connection: Upgrade", "Upgrade: websocket"],
        ["Connection: Upgrade, HTTP2-Settings", "Upgrade: h2c", "HTTP2-Settings: AAMAAABkAAQAAP__"],
        ["Connection: keep-alive, Upgrade", "Upgrade: TLS/1.3, HTTP/1.1"],
        ["Upgrade: websocket"],
        ["Connection: Upgrade"],
        ["Expect: 100-continue"],
        ["TE: trailers", "Connection: TE"],
    ],
    ids=";".join,
)
@pytest.mark.parametrize("together", [True, False])
def test_requests_go_on_after_one_that_offers_another_protocol(
    way: Way, fields: list[str], *, together: bool
) -> None:
    # RFC 9110 section 7.8: a server may ignore the field. Section 10.1.1: without a body there is
    # nothing to expect.
    offers = kept("/file.bin", *fields)
    with client_on(way) as client:
        client.send(offers + (kept("/x") if together else b""))
        got = client.answer()
        assert (got.status, got.get("upgrade")) == (200, None)
        assert (got.get("connection") or "keep-alive").lower() == "keep-alive"
        assert same(got.body, CONTENT)
        if not together:
            client.send(kept("/x"))
        assert client.answer().body == b"x"
        assert_next_is_answered(client)


def test_no_interim_answer_asks_for_a_body_that_nobody_uses(way: Way) -> None:
    for method in ("GET", "POST"):
        with client_on(way) as client:
            client.send(kept("/x", "Expect: 100-continue", "Content-Length: 5", method=method))
            got = client.answer()
            assert (got.status, got.get("connection")) == (200 if method == "GET" else 405, "close")
            with contextlib.suppress(ConnectionError):
                client.send(b"12345")
            assert client.to_end()[0] == b""


def test_no_tunnel_is_made_and_what_was_sent_into_it_is_not_answered(way: Way) -> None:
    # RFC 9110 section 9.3.6.
    turns = turns_of(17)
    tunnel = b"CONNECT other.plant.example:443 HTTP/1.1\r\nHost: other.plant.example:443\r\n\r\n"
    with client_on(way) as client:
        client.send(joined(turns) + tunnel + kept("/file.bin") * 3)
        for turn in turns:
            turn.take(client)
        got = client.answer()
        assert (got.status, got.get("connection")) == (405, "close")
        assert client.to_end() == (b"", "end")
