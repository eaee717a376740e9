"""How long a depot waits for a client: for its handshake, for a head, between two requests.

Most of what is true without TLS stands in cases/test_slow_clients.py; here are all ways in, and
clients that always send something, never enough.
"""

from __future__ import annotations

import contextlib
import re
import select
import time
from concurrent.futures import ThreadPoolExecutor
from typing import TYPE_CHECKING, Callable

import harness
import pytest
import serving
from sending_kit import SECONDS, Client, Way, Wire, client_on, connected, kept, way_into

if TYPE_CHECKING:
    import socket
    from collections.abc import Iterator

LIMITS = {"header_seconds": 2, "idle_seconds": 4, "stalled_seconds": 4}
HEAD, IDLE = LIMITS["header_seconds"], LIMITS["idle_seconds"]
LATE = 10.0  # seconds after a limit by which even a busy machine has seen to it
PAUSE = 0.2  # seconds between two drops
BEGUN = b"GET /x HTTP/1.1\r\nHost: h\r\n"


@pytest.fixture(scope="module")
def depot(tmp_path_factory: pytest.TempPathFactory) -> Iterator[harness.RunningDepot]:
    folder = tmp_path_factory.mktemp("waiting")
    (folder / "tree" / "d").mkdir(parents=True)
    (folder / "tree" / "x").write_bytes(b"x")
    mount = serving.mount("/", folder / "tree")
    listeners = [serving.PLAIN, serving.TLS]
    with serving.serving(folder, mount, listeners=listeners, limits=LIMITS) as running:
        yield running
    assert "Traceback" not in running.log()


@pytest.fixture(params=["plain", "tls 1.3"])
def way(depot: harness.RunningDepot, request: pytest.FixtureRequest) -> Way:
    return way_into(depot, request.param)


def all_at_once(function: Callable[..., float], *rows: object) -> list[float]:
    """Call a function that waits for each row, all at the same time."""
    with ThreadPoolExecutor(len(rows)) as pool:
        return list(pool.map(function, rows))


def seconds_until_ended(connection: socket.socket, drops: Iterator[bytes], start: float) -> float:
    """Send a drop now and then until the other side ends; what it says does not matter.

    `start` is before what the depot counts from.
    """
    with contextlib.suppress(ConnectionError):
        for drop in drops:
            assert time.monotonic() - start < SECONDS, "never ended"
            connection.sendall(drop)
            if select.select([connection], [], [], PAUSE)[0] and not connection.recv(1 << 16):
                break
    return time.monotonic() - start


def ended_after(seconds: float, limit: float) -> bool:
    """Tell whether an end came when a limit had passed, and soon enough after it."""
    return limit < seconds < limit + LATE


# Heads that never come to their end.


def endless(first: bytes, more: bytes) -> Iterator[bytes]:
    """Give `first` byte by byte, then `more` again and again."""
    yield from (bytes([octet]) for octet in first)
    while True:
        yield more


DRIPPING = {
    "a head byte by byte": (BEGUN + b"X-Slow: ", b"a"),
    "field after field": (BEGUN, b"X-Slow: a\r\n"),
    "empty lines": (b"", b"\r\n"),
    "a target": (b"GET /", b"a"),
}


def test_a_client_that_dribbles_its_head_is_ended(way: Way) -> None:
    def dribble(row: tuple[bytes, bytes]) -> float:
        start = time.monotonic()
        with connected(way) as plain:
            wire = Wire(plain, way.tls)
            wire.shake_hands()
            drops = (wire.sealed(drop) for drop in endless(*row))
            return seconds_until_ended(plain, drops, start)

    waited = dict(zip(DRIPPING, all_at_once(dribble, *DRIPPING.values())))
    assert {name for name in DRIPPING if not ended_after(waited[name], HEAD)} == set(), waited


@pytest.mark.slow
def test_a_client_that_dribbles_a_later_head_is_ended(way: Way) -> None:
    def dribble(rest: float) -> float:
        with connected(way) as plain:
            wire = Wire(plain, way.tls)
            wire.shake_hands()
            wire.sendall(kept("/x") * 3)
            client = Client(wire)
            assert [client.answer().body for _ in range(3)] == [b"x"] * 3
            time.sleep(rest)
            drops = (wire.sealed(drop) for drop in endless(BEGUN, b"a"))
            return seconds_until_ended(plain, drops, time.monotonic())

    # The rest may be longer than a head may take; the limit is the head's from its first byte on.
    assert [s for s in all_at_once(dribble, 0.0, 1.0, HEAD + 0.5) if not ended_after(s, HEAD)] == []


def test_what_follows_a_whole_request_and_never_ends_is_given_up(way: Way) -> None:
    start = time.monotonic()
    with client_on(way) as client:
        client.send(kept("/x") + BEGUN)
        assert client.answer().body == b"x"
        rest, _ = client.to_end()
    assert rest == b""
    assert HEAD < time.monotonic() - start < IDLE + LATE


def test_a_head_that_comes_in_drops_but_in_time_is_answered(way: Way) -> None:
    request = kept("/x")
    third = len(request) // 3
    with client_on(way) as client:
        for _ in range(2):
            for part in (request[:third], request[third : 2 * third], request[2 * third :]):
                client.send(part)
                time.sleep(HEAD / 8)
            assert client.answer().body == b"x"


# Handshakes.

# How the client's next record begins, whose end never comes (RFC 5246 and RFC 8446, section 6.2.1
# of the one and 5.1 of the other): of a type that the depot waits for then, and long.
RECORD = {"tls 1.2": b"\x16\x03\x03\x40\x00", "tls 1.3": b"\x17\x03\x03\x40\x00"}


@pytest.mark.parametrize("name", RECORD)
def test_a_client_that_dribbles_its_handshake_is_ended(
    depot: harness.RunningDepot, name: str
) -> None:
    way = way_into(depot, name)

    def dribble(whole_hello: object) -> float:
        start = time.monotonic()
        with connected(way) as plain:
            wire = Wire(plain, way.tls)
            hello = wire.hello()
            if whole_hello:
                plain.sendall(hello)
                assert plain.recv(1 << 16)
                drops = endless(RECORD[name], b"\x01")
            else:
                drops = endless(hello, b"\x00")
            return seconds_until_ended(plain, drops, start)

    assert [s for s in all_at_once(dribble, True, False) if not ended_after(s, HEAD)] == []


@pytest.mark.parametrize("name", RECORD)
def test_a_handshake_in_drops_but_in_time_is_ended_well(
    depot: harness.RunningDepot, name: str
) -> None:
    way = way_into(depot, name)
    with connected(way) as plain:
        wire = Wire(plain, way.tls)
        hello = wire.hello()
        for part in (hello[:3], hello[3:40], hello[40:]):
            plain.sendall(part)
            time.sleep(HEAD / 8)
        wire.shake_hands()
        wire.sendall(kept("/x"))
        assert Client(wire).answer().body == b"x"


# Rest between requests.

LAST_ASKED: dict[str, tuple[str, list[str], str, int]] = {
    "a file": ("/x", [], "GET", 200),
    "a head": ("/x", [], "HEAD", 200),
    "a listing": ("/", [], "GET", 200),
    "nothing new": ("/x", ["If-None-Match: *"], "GET", 304),
    "a part": ("/x", ["Range: bytes=0-0"], "GET", 206),
    "what is not there": ("/none", [], "GET", 404),
}


@pytest.mark.slow
def test_a_connection_at_rest_is_ended_after_its_time_and_not_before(way: Way) -> None:
    def rest(row: tuple[str, list[str], str, int]) -> float:
        target, fields, method, status = row
        start = time.monotonic()
        with client_on(way) as client:
            assert client.ask(target, *fields, method=method).status == status
            assert client.to_end()[0] == b""
            return time.monotonic() - start

    waited = dict(zip(LAST_ASKED, all_at_once(rest, *LAST_ASKED.values())))
    assert {name for name in waited if not ended_after(waited[name], IDLE)} == set(), waited


@pytest.mark.slow
def test_a_connection_answers_again_after_each_rest_that_is_short_enough(way: Way) -> None:
    # Longer than a head may take, and together longer than one rest.
    with client_on(way) as client:
        for _ in range(2):
            assert client.ask("/x").body == b"x"
            time.sleep(IDLE - 1.5)
        assert client.ask("/x").body == b"x"


def test_empty_lines_between_requests_do_not_make_a_rest_longer(way: Way) -> None:
    with connected(way) as plain:
        wire = Wire(plain, way.tls)
        wire.shake_hands()
        wire.sendall(kept("/x"))
        assert Client(wire).answer().body == b"x"
        drops = (wire.sealed(drop) for drop in endless(b"", b"\r\n"))
        assert seconds_until_ended(plain, drops, time.monotonic()) < IDLE + LATE


# What the depot says about it. The Keep-Alive field is registered by IANA for HTTP; its parameter
# "timeout", in whole seconds, is that of RFC 2068 section 19.7.1.1 and its successors' practice.


def promise(got: harness.Answer) -> int | None:
    """Give the seconds of rest that an answer promises; None where it promises none."""
    value = got.get("keep-alive")
    if value is None:
        return None
    match = re.fullmatch(r"timeout=([0-9]+)", value)
    assert match, value
    return int(match[1])


def test_an_answer_says_how_long_its_connection_may_rest(way: Way) -> None:
    with client_on(way) as client:
        for target, fields, method, status in LAST_ASKED.values():
            got = client.ask(target, *fields, method=method)
            assert (got.status, promise(got)) == (status, IDLE)
            assert (got.get("connection") or "").lower() == "keep-alive"


def test_a_client_of_http_1_0_is_told_too(way: Way) -> None:
    with client_on(way) as client:
        client.send(kept("/x", "Connection: keep-alive").replace(b"HTTP/1.1", b"HTTP/1.0"))
        got = client.answer()
    assert promise(got) == IDLE
    assert (got.get("connection") or "").lower() == "keep-alive"


CLOSING = {
    "at the client's wish": harness.get("/x"),
    "by HTTP/1.0": kept("/x").replace(b"HTTP/1.1", b"HTTP/1.0"),
    "after what can't be read": b"GARBAGE\r\n\r\n",
    "after a body": kept("/x", "Content-Length: 1") + b"b",
    "after another method": kept("/x", method="BREW"),
}


@pytest.mark.parametrize("case", CLOSING)
def test_an_answer_that_ends_its_connection_promises_nothing(way: Way, case: str) -> None:
    with client_on(way) as client:
        client.send(CLOSING[case])
        got = client.answer()
        assert client.to_end()[0] == b""
    assert (got.get("connection"), promise(got)) == ("close", None)


def test_the_documented_rest_is_what_the_issue_asks_for(
    plain_depot: harness.RunningDepot,
) -> None:
    # Issue 3: "idle keep-alive at least 75 s and announced"; `conf/depot.yaml` has 75.
    with client_on(Way(plain_depot.port)) as client:
        assert promise(client.ask("/x")) == 75
