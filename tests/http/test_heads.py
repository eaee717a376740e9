"""Heads of answers: where the body ends, and whether the connection stays."""

from __future__ import annotations

import email.utils
import http.client
import io
import os
import time
from typing import TYPE_CHECKING, Any

import pytest
from multidict import CIMultiDict, CIMultiDictProxy

from depotserve.config import Listener
from depotserve.http.exchange import Answer, Exchange, FileBody, Stream
from depotserve.http.heads import head_bytes
from depotserve.http.refusal import REASONS

if TYPE_CHECKING:
    from collections.abc import AsyncGenerator
    from email.message import Message

BODIES = ["bytes", "nothing", "file", "parts", "stream"]
LENGTHS = {"bytes": "5", "nothing": "0", "file": "26", "parts": "61"}
VERSIONS = [(1, 0), (1, 1)]
METHODS = ["GET", "HEAD"]


async def pieces() -> AsyncGenerator[bytes, None]:
    yield b"piece"


def body(kind: str) -> Any:
    """Make a body of one of BODIES; nothing of it is read."""
    if kind == "stream":
        return Stream(pieces(), lambda: None)
    if kind in {"file", "parts"}:
        return FileBody(-1, os.stat("/"), (), int(LENGTHS[kind]))
    return b"bytes" if kind == "bytes" else b""


def exchange(method: str = "GET", version: tuple[int, int] = (1, 1)) -> Exchange:
    return Exchange(
        method=method,
        raw_target=b"/x",
        version=version,
        headers=CIMultiDictProxy(CIMultiDict()),
        raw_headers=(),
        head_size=100,
        listener=Listener(address="127.0.0.1", port=8080, tls="none"),
        address="127.0.0.1",
        started=0.0,
        keep_alive=True,
    )


def fields_of(head: bytes) -> Message:
    """Take a head apart by the standard library's reader."""
    line, _, rest = head.partition(b"\r\n")
    assert line.startswith(b"HTTP/1.1 ")
    found = http.client.parse_headers(io.BytesIO(rest))
    assert not found.defects
    return found


def names(head: bytes) -> list[str]:
    """List the fields' names as they stand, each line by itself."""
    lines = head.split(b"\r\n")
    assert lines[-2:] == [b"", b""]
    return [line.partition(b": ")[0].decode("ascii") for line in lines[1:-2]]


@pytest.mark.parametrize("status", REASONS)
def test_a_head_begins_with_its_status_and_ends_with_an_empty_line(status: int) -> None:
    for version in VERSIONS:
        head = head_bytes(exchange(version=version), Answer(status, []), 75.0)
        # RFC 9112 section 4, RFC 9110 section 6.2: the highest version that the server speaks.
        assert head.startswith(b"HTTP/1.1 %d %b\r\n" % (status, REASONS[status].encode()))
        # Section 2.2: a CR or LF stands in an end of line only, and the empty line is the last.
        assert head.index(b"\r\n\r\n") == len(head) - 4
        assert head.count(b"\r") == head.count(b"\n") == head.count(b"\r\n")


def test_reasons_are_those_of_the_standard_where_the_library_has_the_same() -> None:
    known = {status.value: status.phrase for status in http.HTTPStatus}
    # RFC 9110 sections 15.5.15 and 15.5.17 renamed what older libraries have.
    older = {414: "Request-URI Too Long", 416: "Requested Range Not Satisfiable"}
    for status, reason in REASONS.items():
        assert reason == known[status] or known[status] == older[status]


def test_a_head_tells_the_time_as_the_standard_writes_it() -> None:
    before = int(time.time())
    date = fields_of(head_bytes(exchange(), Answer(200, []), 75.0))["Date"]
    # RFC 9110 sections 5.6.7 and 6.6.1.
    stamp = email.utils.parsedate_to_datetime(date).timestamp()
    assert before <= stamp <= time.time()
    assert date == email.utils.formatdate(stamp, usegmt=True)


def test_an_answers_fields_stand_as_they_are_in_their_order() -> None:
    fields = [
        ("ETag", '"a"'),
        ("Content-Type", "text/plain; charset=utf-8"),
        ("X-Note", "M\u00fcller"),  # octets past ASCII: RFC 9110 section 5.5, obs-text
        ("X-Note", ""),
        ("Location", "/a%20b/"),
    ]
    head = head_bytes(exchange(), Answer(200, fields, b"x"), 75.0)
    lines = head.split(b"\r\n")
    assert lines[2:7] == [f"{name}: {value}".encode("latin-1") for name, value in fields]
    assert names(head)[0] == "Date"


# Framing (RFC 9112 section 6).


@pytest.mark.parametrize("version", VERSIONS)
@pytest.mark.parametrize("method", METHODS)
@pytest.mark.parametrize("kind", sorted(LENGTHS))
@pytest.mark.parametrize("close", [False, True])
def test_a_body_of_known_length_has_its_length_told(
    kind: str, method: str, version: tuple[int, int], close: bool
) -> None:
    for status in (200, 206, 401, 404, 416, 503):
        answer = Answer(status, [], body(kind), close=close)
        fields = fields_of(head_bytes(exchange(method, version), answer, 75.0))
        # Section 6.2; and to HEAD what GET would get (RFC 9110 section 8.6).
        assert fields.get_all("Content-Length") == [LENGTHS[kind]]
        assert "Transfer-Encoding" not in fields


@pytest.mark.parametrize("method", METHODS)
@pytest.mark.parametrize("close", [False, True])
def test_a_body_of_unknown_length_comes_in_chunks_to_who_knows_them(
    method: str, close: bool
) -> None:
    answer = Answer(200, [], body("stream"), close=close)
    fields = fields_of(head_bytes(exchange(method), answer, 75.0))
    # Section 6.1; section 6.2: no length beside it.
    assert fields.get_all("Transfer-Encoding") == ["chunked"]
    assert "Content-Length" not in fields


@pytest.mark.parametrize("method", METHODS)
def test_a_body_of_unknown_length_ends_with_the_connection_for_others(method: str) -> None:
    answer = Answer(200, [], body("stream"), close=True)
    fields = fields_of(head_bytes(exchange(method, (1, 0)), answer, 75.0))
    # Section 6.1: no coding to a client of HTTP/1.0; section 6.3, item 8.
    assert "Transfer-Encoding" not in fields
    assert "Content-Length" not in fields
    assert fields.get_all("Connection") == ["close"]


@pytest.mark.parametrize("version", VERSIONS)
@pytest.mark.parametrize("kind", BODIES)
@pytest.mark.parametrize("status", [204, 304])
@pytest.mark.parametrize("close", [False, True])
def test_an_answer_that_never_has_a_body_has_no_framing(
    status: int, kind: str, version: tuple[int, int], close: bool
) -> None:
    answer = Answer(status, [("ETag", '"a"')], body(kind), close=close)
    fields = fields_of(head_bytes(exchange(version=version), answer, 75.0))
    # Sections 6.1 and 6.3, item 1; RFC 9110 section 8.6.
    assert "Content-Length" not in fields
    assert "Transfer-Encoding" not in fields
    assert fields["ETag"] == '"a"'


# Persistence (RFC 9112 sections 9.3 and 9.6, RFC 2068 section 19.7.1).


@pytest.mark.parametrize("version", VERSIONS)
@pytest.mark.parametrize("method", METHODS)
@pytest.mark.parametrize("status", [200, 204, 304, 404])
def test_a_connection_that_stays_says_so_and_for_how_long(
    status: int, method: str, version: tuple[int, int]
) -> None:
    answer = Answer(status, [], b"")
    fields = fields_of(head_bytes(exchange(method, version), answer, 75.0))
    assert fields.get_all("Connection") == ["keep-alive"]
    assert fields.get_all("Keep-Alive") == ["timeout=75"]


@pytest.mark.parametrize("version", VERSIONS)
@pytest.mark.parametrize("status", [200, 204, 304, 400])
@pytest.mark.parametrize("kind", BODIES)
def test_a_connection_that_ends_says_so_and_nothing_of_staying(
    kind: str, status: int, version: tuple[int, int]
) -> None:
    answer = Answer(status, [], body(kind), close=True)
    fields = fields_of(head_bytes(exchange(version=version), answer, 75.0))
    assert fields.get_all("Connection") == ["close"]
    assert "Keep-Alive" not in fields


@pytest.mark.parametrize(
    ("seconds", "told"), [(1.0, "1"), (1.9, "1"), (75.0, "75"), (75.999, "75"), (3600.0, "3600")]
)
def test_a_rest_is_told_in_whole_seconds_and_never_as_longer_than_it_is(
    seconds: float, told: str
) -> None:
    fields = fields_of(head_bytes(exchange(), Answer(200, []), seconds))
    assert fields["Keep-Alive"] == f"timeout={told}"


@pytest.mark.parametrize("kind", BODIES)
@pytest.mark.parametrize("close", [False, True])
def test_no_field_of_ours_stands_twice(kind: str, close: bool) -> None:
    head = head_bytes(exchange(), Answer(200, [], body(kind), close=close), 75.0)
    found = names(head)
    assert len(found) == len(set(found))
    own = {"Date", "Connection", "Keep-Alive", "Content-Length", "Transfer-Encoding"}
    assert set(found) <= own
