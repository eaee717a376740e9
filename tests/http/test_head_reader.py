"""Heads out of bytes that come in any pieces, by each parser that a box may have."""

from __future__ import annotations

import asyncio
import contextlib
import tracemalloc
from typing import TYPE_CHECKING, NamedTuple

import pytest
from aiohttp.http_exceptions import BadHttpMessage
from aiohttp.http_parser import HttpRequestParser, HttpRequestParserPy
from hypothesis import given
from hypothesis import strategies as st

from depotserve.config import Limits
from depotserve.http import parsing
from depotserve.http.parsing import Head, HeadReader
from depotserve.http.refusal import Refusal

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

LIMITS = Limits(target_bytes=256, header_bytes=1024)
PARSERS = {"compiled": HttpRequestParser, "pure Python": HttpRequestParserPy}

X = b"GET /x HTTP/1.1\r\nHost: h\r\n\r\n"
HEADS = (
    X,
    b"HEAD /gateway?a=b HTTP/1.1\r\nHost: depot.plant.example:8443\r\nRange: bytes=1-\r\n\r\n",
    b"OPTIONS * HTTP/1.1\r\nHost: h\r\nAccept:\r\n\r\n",
    b"GET /%5C%F6 HTTP/1.1\r\nhost:h\r\nX: 1\r\nX: 2\r\nx: \xc3\xb6\xff\r\n\r\n",
    b"POST /x HTTP/1.1\r\nHost: h\r\nContent-Length: 0\r\n\r\n",
    b"GET /x HTTP/1.1\r\nHost: h\r\nConnection: Upgrade\r\nUpgrade: websocket\r\n\r\n",
    b"GET /x HTTP/1.0\r\nConnection: keep-alive\r\n\r\n",
)
NOISE = b"\x16\x03\x01\x02\x00\r\n\r\n"


class Seen(NamedTuple):
    """A head as values that can be compared."""

    method: str
    path: str
    version: tuple[int, int]
    fields: tuple[tuple[bytes, bytes], ...]
    has_body: bool
    size: int


@contextlib.contextmanager
def using(parser: type) -> Iterator[None]:
    """Have heads read by `parser`, as aiohttp does where its extension is missing."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(parsing, "HttpRequestParser", parser)
        yield


@pytest.fixture(scope="module", params=PARSERS, autouse=True)
def parser(request: pytest.FixtureRequest) -> Iterator[str]:
    """Run each test by each parser."""
    if request.param == "compiled" and HttpRequestParser is HttpRequestParserPy:
        pytest.skip("aiohttp has no compiled parser here")
    with using(PARSERS[request.param]):
        yield request.param


def seen(head: Head) -> Seen:
    message = head.message
    version = (message.version.major, message.version.minor)
    fields = tuple((bytes(name), bytes(value)) for name, value in message.raw_headers)
    return Seen(message.method, message.path, version, fields, head.has_body, head.size)


def drain(reader: HeadReader) -> list[Seen]:
    return [seen(head) for head in iter(reader.next, None)]


def read(pieces: Iterable[bytes], limits: Limits = LIMITS) -> tuple[list[Seen], int]:
    """Give the heads that come of `pieces`, and the status that ends them, 0 for none."""

    async def go() -> tuple[list[Seen], int]:
        reader, heads = HeadReader(limits), []
        try:
            for piece in pieces:
                reader.take(piece)
                for head in iter(reader.next, None):
                    heads.append(seen(head))  # noqa: PERF401 - those before a refusal are kept
        except Refusal as refusal:
            return heads, refusal.status
        assert reader.waiting == 0
        return heads, 0

    # A loop of its own: `asyncio.run` would take away that of the tests which have one.
    loop = asyncio.new_event_loop()
    try:
        return loop.run_until_complete(go())
    finally:
        loop.close()


def octets(data: bytes) -> list[bytes]:
    return [data[at : at + 1] for at in range(len(data))]


def either_way(data: bytes) -> list[tuple[list[Seen], int]]:
    """Read bytes whole, then one by one."""
    return [read([data]), read(octets(data))]


def values(head: bytes) -> tuple[str, str, tuple[tuple[bytes, bytes], ...]]:
    """Take a good head apart as RFC 9112 section 2.1 puts it together."""
    line, *fields = head[:-4].split(b"\r\n")
    method, path, _ = line.decode().split(" ")
    parts = (field.partition(b":") for field in fields)
    return method, path, tuple((name, value.strip()) for name, _, value in parts)


def assert_are(found: list[Seen], heads: Iterable[bytes]) -> None:
    """Check that heads were found as they were sent, none of them with a body."""
    assert [(*each[:2], each.fields) for each in found] == [values(head) for head in heads]
    assert [each.size for each in found] == [len(head) for head in heads]
    assert not any(each.has_body for each in found)


# However they fall into pieces.


@pytest.mark.parametrize("head", HEADS)
def test_a_head_is_the_same_whole_and_byte_by_byte(head: bytes) -> None:
    for heads, status in either_way(head):
        assert_are(heads, [head])
        assert heads[0].version == ((1, 0) if b"HTTP/1.0" in head else (1, 1))
        assert status == 0


def test_heads_split_at_any_place_are_the_same() -> None:
    data = b"".join(HEADS)
    for place in range(len(data) + 1):
        heads, status = read([data[:place], data[place:]])
        assert_are(heads, HEADS)
        assert status == 0


@given(
    st.lists(st.sampled_from(HEADS), min_size=1, max_size=6),
    st.lists(st.integers(0, 700), max_size=12),
    st.booleans(),
)
def test_any_split_of_any_heads_gives_the_same(
    chosen: list[bytes], places: list[int], spoilt: bool
) -> None:
    data = b"".join(chosen) + (NOISE if spoilt else b"")
    cuts = [0, *sorted(min(place, len(data)) for place in places), len(data)]
    heads, status = read(data[start:end] for start, end in zip(cuts, cuts[1:]))
    assert_are(heads, chosen)
    assert status == (400 if spoilt else 0)


async def test_heads_of_one_piece_come_one_by_one_and_the_rest_waits() -> None:
    reader = HeadReader(LIMITS)
    reader.take(b"".join(HEADS) + b"GET")
    waiting = sum(len(head) for head in HEADS) + 3
    for head in HEADS:
        found = reader.next()
        assert found is not None
        assert_are([seen(found)], [head])
        waiting -= len(head)
        assert (reader.waiting, reader.begun) == (waiting, True)
    assert reader.next() is None
    assert (reader.waiting, reader.begun) == (0, True)
    reader.take(b" /y HTTP/1.1\r\nHost: h\r\n\r\n")
    assert_are(drain(reader), [b"GET /y HTTP/1.1\r\nHost: h\r\n\r\n"])


async def test_what_is_taken_while_heads_wait_comes_after_them() -> None:
    reader = HeadReader(LIMITS)
    for head in HEADS:
        reader.take(head[:9])
        reader.take(head[9:])
    assert reader.waiting == sum(len(head) for head in HEADS)
    assert_are(drain(reader), HEADS)


async def test_a_head_has_begun_from_its_first_byte_to_its_last() -> None:
    reader = HeadReader(LIMITS)
    assert (reader.begun, reader.waiting) == (False, 0)
    assert reader.next() is None
    for octet in octets(X)[:-1]:
        reader.take(octet)
        assert (reader.begun, reader.waiting) == (True, 1)
        assert reader.next() is None
        assert (reader.begun, reader.waiting) == (True, 0)
    reader.take(X[-1:] + b"G")
    assert reader.next() is not None
    assert (reader.begun, reader.waiting) == (True, 1)


async def test_nothing_has_begun_between_two_heads() -> None:
    reader = HeadReader(LIMITS)
    for _ in range(2):
        reader.take(X)
        assert len(drain(reader)) == 1
        assert (reader.begun, reader.waiting) == (False, 0)


# Bodies, and other ways to talk.


@pytest.mark.parametrize(
    ("head", "has_body"),
    [
        # RFC 9112 section 6.3: without either field there is none, whatever the method.
        (X, False),
        (X.replace(b"GET", b"POST"), False),
        (X.replace(b"\r\n\r\n", b"\r\nContent-Length: 0\r\n\r\n"), False),
        (X.replace(b"\r\n\r\n", b"\r\nContent-Length: 5\r\n\r\n"), True),
        (X.replace(b"\r\n\r\n", b"\r\nTransfer-Encoding: chunked\r\n\r\n"), True),
        (X.replace(b"GET", b"HEAD").replace(b"\r\n\r\n", b"\r\nContent-Length: 5\r\n\r\n"), True),
        # RFC 9110 section 9.3.6: what follows is for the tunnel.
        (b"CONNECT h:443 HTTP/1.1\r\nHost: h:443\r\n\r\n", True),
    ],
)
def test_a_head_tells_whether_a_body_follows(head: bytes, has_body: bool) -> None:
    for heads, status in either_way(head):
        assert [(each.has_body, each.size) for each in heads] == [(has_body, len(head))]
        assert status == 0


@pytest.mark.parametrize(
    "fields",
    [
        b"Connection: Upgrade\r\nUpgrade: websocket\r\n",
        b"Connection: Upgrade\r\nUpgrade: tcp\r\n",
        b"Connection: Upgrade, HTTP2-Settings\r\nUpgrade: h2c\r\nHTTP2-Settings: AAMAAABk\r\n",
        b"Upgrade: websocket\r\n",
    ],
)
def test_heads_are_read_on_after_one_that_offers_another_protocol(fields: bytes) -> None:
    # RFC 9110 section 7.8: a server may ignore the field.
    offer = b"GET /x HTTP/1.1\r\nHost: h\r\n" + fields + b"\r\n"
    for heads, status in either_way(offer * 2 + X):
        assert_are(heads, [offer, offer, X])
        assert status == 0


# Faults.


BAD: dict[str, tuple[bytes, int]] = {
    "noise": (NOISE, 400),
    "one word": (b"GARBAGE\r\n\r\n", 400),
    "a blank before a colon": (b"GET /x HTTP/1.1\r\nHost: h\r\nX : y\r\n\r\n", 400),
    "a folded field": (b"GET /x HTTP/1.1\r\nHost: h\r\nX: y\r\n z\r\n\r\n", 400),
    "two lengths": (X[:-2] + b"Content-Length: 1\r\nContent-Length: 2\r\n\r\n", 400),
    "two framings": (X[:-2] + b"Content-Length: 1\r\nTransfer-Encoding: chunked\r\n\r\n", 400),
    "a length past any": (X[:-2] + b"Content-Length: " + b"9" * 5000 + b"\r\n\r\n", 400),
    "a zero in a field": (X[:-2] + b"X: a\x00b\r\n\r\n", 400),
    "another method": (b"BREW /x HTTP/1.1\r\nHost: h\r\n\r\n", 405),
    "a method in small letters": (b"get /x HTTP/1.1\r\nHost: h\r\n\r\n", 405),
}
LARGE = Limits(target_bytes=8192, header_bytes=16384)


@pytest.mark.parametrize("case", BAD)
def test_a_fault_comes_in_its_turn_after_the_good_heads(case: str) -> None:
    bad, status = BAD[case]
    for good in ((), HEADS):
        heads, found = read([b"".join(good) + bad + X], LARGE)
        assert_are(heads[: len(good)], good)
        if case == "another method" and not found:  # the parser in Python knows no methods
            assert heads[len(good)].method == "BREW"
        else:
            assert (len(heads), found) == (len(good), status)


@pytest.mark.parametrize("case", BAD)
def test_a_fault_that_comes_byte_by_byte_is_refused_after_the_good_heads(case: str) -> None:
    bad, _ = BAD[case]
    heads, status = read([b"".join(HEADS), *octets(bad + X)], LARGE)
    assert_are(heads[: len(HEADS)], HEADS)
    # A method is refused by its first letters, before there is a request line to tell it by.
    allowed = (400, 405, 0) if case == "another method" else (400, 405)
    assert status in allowed
    assert status == 0 or len(heads) == len(HEADS)


@pytest.mark.parametrize(
    "head",
    [
        X.replace(b"\r\n", b"\n"),
        b"GET /x HTTP/1.1\nHost: h\r\n\r\n",
        b"GET /x HTTP/1.1\n\n",
        b"GET /x HTTP/1.1\r\nHost: h\n\n",
        b"GET /x HTTP/1.1\r\nHost: h\r\n\n",
        b"GET /x HTTP/1.1\r\nHost: h\n\r\n",
        b"GET /x HTTP/1.1\r\nHost: h\nX: y\r\n\r\n",
    ],
)
@pytest.mark.timeout(30)
def test_a_bare_line_feed_ends_no_line_of_a_head(head: bytes) -> None:
    # RFC 9112 section 2.2 lets a recipient take it for an end; what takes it in two ways can be
    # made to see other requests than those before it do.
    for heads, status in either_way(X + head + X):
        assert_are(heads, [X])
        assert status == 400


@pytest.mark.timeout(5)
def test_a_reader_goes_on_where_the_parser_keeps_a_bare_line_feed_for_later() -> None:
    # As aiohttp's parser in Python did before 3.14.2, 3.13 on Python 3.9 among them.
    class Keeping(HttpRequestParserPy):
        def feed_data(self, data: bytes) -> tuple[list[object], bool, bytes]:  # type: ignore[override]
            try:
                return super().feed_data(data)  # type: ignore[return-value]
            except BadHttpMessage as error:
                if "line ending" not in error.message:
                    raise
            return [], False, b""

    for data in (b"GET /x HTTP/1.1\n\n", b"GET /x HTTP/1.1\r\nHost: h\r\nX: y\n\n"):
        with using(Keeping):
            read([data, b"G", b"ET /x"])
            heads, status = read([data + X])
        assert (heads, status) in [([], 0), ([], 400)]


@pytest.mark.parametrize("before", [b"\n", b"\n\n", b"\r", b"\r\r"])
def test_all_parsers_say_the_same_to_half_an_empty_line_before_a_head(before: bytes) -> None:
    found = []
    for each in PARSERS.values():
        with using(each):
            found += [status for _, status in either_way(before + X)]
    assert len(set(found)) == 1


# Empty lines before a head (RFC 9112 section 2.2).


@pytest.mark.parametrize("count", [1, 2, 3, 1000])
def test_empty_lines_before_a_head_are_no_part_of_it(count: int) -> None:
    lines = b"\r\n" * count
    for heads, status in either_way(lines + X + lines + X + lines):
        assert_are(heads, [X, X])
        assert status == 0


def test_heads_behind_an_empty_line_split_at_any_place_are_the_same() -> None:
    data = b"\r\n" + X + b"\r\n\r\n" + X
    for place in range(len(data) + 1):
        heads, status = read([data[:place], data[place:]])
        assert [each[:4] for each in heads] == [read([X])[0][0][:4]] * 2
        assert status == 0


async def test_empty_lines_begin_no_head_and_take_no_memory() -> None:
    reader = HeadReader(LIMITS)
    tracemalloc.start()
    try:
        for number in range(50_000):
            reader.take(b"\r\n" * (1 + number % 3))
            assert reader.next() is None
            assert (reader.begun, reader.waiting) == (False, 0)
        grown, _ = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert grown < 10_000
    reader.take(X)
    assert_are(drain(reader), [X])


@pytest.mark.parametrize(
    ("bad", "status"),
    [
        (b"BREW /x HTTP/1.1\r\nHost: h\r\nX : y\r\n\r\n", 405),
        (b"get /x HTTP/1.1\r\nHost: h\r\n\r\n", 405),
        (b"GET /x HTTP/1.1\r\nHost: h\r\nX : y\r\n\r\n", 400),
        (b"GET /" + b"a" * 2000 + b" HTTP/1.1\r\nHost: h\r\n\r\n", 414),
    ],
)
def test_a_fault_behind_an_empty_line_has_the_same_status_as_without(
    parser: str, bad: bytes, status: int
) -> None:
    if parser == "compiled" or b"BREW" not in bad:  # the parser in Python sees the field first
        assert read([bad]) == ([], status)
    assert read([b"\r\n" + bad]) == read([b"\r\n", bad]) == read([bad])


# What is told of a head that can't be parsed.


BARE = b"HEAD /x HTTP/1.1\r\nHost: h\r\nX : y\r\n\r\n"


@pytest.mark.parametrize(
    ("pieces", "asks"),
    [
        ([BARE], True),
        (octets(BARE), True),
        ([X + BARE], True),
        ([X, BARE + X], True),
        ([b"\r\n", BARE], True),
        ([b"\r\n" + BARE], True),
        ([BARE.replace(b"HEAD", b"GET")], False),
        ([BARE.replace(b"HEAD", b"HEADS")], False),
        ([BARE.replace(b"HEAD", b"head")], False),
        ([X.replace(b"GET", b"HEAD") + BARE.replace(b"HEAD", b"GET")], False),
        ([NOISE], False),
    ],
)
async def test_a_reader_tells_whether_a_bad_head_was_one_of_head(
    pieces: list[bytes], asks: bool
) -> None:
    # RFC 9110 section 9.3.2: the answer to HEAD has no content, a refusal neither.
    reader = HeadReader(LIMITS)
    refused = 0
    for piece in pieces:
        reader.take(piece)
        try:
            drain(reader)
        except Refusal:
            refused = 1
            break
    assert refused
    assert reader.asks_for_head() is asks


# Limits.


MANY = b"".join(b"X-%02d: abcdefghijklmnopqrstuvwxyz\r\n" % number for number in range(99))


@pytest.mark.parametrize(
    ("head", "status"),
    [
        (b"GET /" + b"a" * 2000 + b" HTTP/1.1\r\nHost: h\r\n\r\n", 414),
        (b"GET /" + b"a" * 2000, 414),
        (b"GET /x HTTP/1.1\r\nHost: h\r\nX: " + b"a" * 2000 + b"\r\n\r\n", 431),
        (b"GET /x HTTP/1.1\r\nHost: h\r\nX: " + b"a" * 2000, 431),
        (b"GET /x HTTP/1.1\r\nHost: h\r\n" + b"a" * 2000, 431),
        (b"GET /x HTTP/1.1\r\nHost: h\r\n" + MANY, 431),
        (b"GET /x HTTP/1.1\r\nHost: h\r\n" + b"X:\r\n" * 200 + b"\r\n", 431),
        (b"G" * 2000, 400),
    ],
)
def test_a_head_past_its_limits_is_refused_in_one_piece_and_dribbled(
    head: bytes, status: int
) -> None:
    # RFC 9110 section 15.5.15, RFC 6585 section 5.
    for pieces in ([head], octets(head), [head[:300], head[300:]]):
        heads, found = read([X, *pieces])
        assert_are(heads, [X])
        assert found == status or (status, found) == (400, 414)  # one long word is either


def test_a_head_that_never_ends_is_refused_before_it_takes_more_than_the_limits() -> None:
    bound = LIMITS.target_bytes + LIMITS.header_bytes
    for unending in (b"GET /x HTTP/1.1\r\n" + MANY, b"GET /x HTTP/1.1\r\nX: " + b"a" * 5000):
        taken = 0

        def counted(data: bytes) -> Iterator[bytes]:
            nonlocal taken
            for octet in octets(data):
                taken += 1
                yield octet

        assert read(counted(unending)) == ([], 431)
        assert taken <= bound + 64


def test_a_head_that_came_whole_is_given_with_its_size_for_others_to_judge() -> None:
    head = b"GET /x HTTP/1.1\r\nHost: h\r\n" + MANY + b"\r\n"
    assert len(head) > LIMITS.header_bytes
    heads, status = read([head])
    assert_are(heads, [head])
    assert status == 0


LONG_TARGET = b"/" + b"a" * (LIMITS.target_bytes - 1)
HOST = b"Host: h\r\n"
ONE_FIELD = HOST + b"X: " + b"a" * (LIMITS.header_bytes - len(HOST) - 5) + b"\r\n"
FIELDS = HOST + b"".join(b"X: %011d\r\n" % number for number in range(63)) + b"Y: 12\r\n"


@pytest.mark.parametrize("method", [b"GET", b"OPTIONS"])
@pytest.mark.parametrize(
    ("target", "fields"),
    [
        (LONG_TARGET, HOST),
        (b"/x", ONE_FIELD),
        (b"/x", FIELDS),
        (LONG_TARGET, ONE_FIELD),
        (LONG_TARGET, FIELDS),
    ],
    ids=["target", "field", "fields", "target and field", "target and fields"],
)
def test_a_head_at_its_limits_is_read_whole_and_dribbled(
    method: bytes, target: bytes, fields: bytes
) -> None:
    assert len(target) <= LIMITS.target_bytes
    assert len(fields) <= LIMITS.header_bytes
    head = method + b" " + target + b" HTTP/1.1\r\n" + fields + b"\r\n"
    whole, dribbled = either_way(head)
    assert_are(whole[0], [head])
    assert dribbled == whole
