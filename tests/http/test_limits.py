"""What a head may be at most: the exact status past each limit, and the connection closed."""

from __future__ import annotations

from typing import TYPE_CHECKING

import harness
import pytest
import serving

if TYPE_CHECKING:
    from collections.abc import Iterator

LIMITS = {"target_bytes": 1000, "header_bytes": 4000}
PARSERS = {"compiled": {}, "pure Python": {"AIOHTTP_NO_EXTENSIONS": "1"}}


@pytest.fixture(scope="module", params=PARSERS)
def depot(
    tmp_path_factory: pytest.TempPathFactory, request: pytest.FixtureRequest
) -> Iterator[harness.RunningDepot]:
    folder = tmp_path_factory.mktemp("limits")
    (folder / "tree").mkdir()
    (folder / "tree" / "x").write_bytes(b"x")
    mount = serving.mount("/", folder / "tree", "anonymous")
    environment = PARSERS[request.param]
    with serving.serving(folder, mount, limits=LIMITS, env=environment) as running:
        yield running
    assert "Traceback" not in running.log()


def head(target: bytes = b"/x", *fields: bytes) -> bytes:
    lines = [b"GET %b HTTP/1.1" % target, b"Host: h", *fields]
    return b"".join(line + b"\r\n" for line in lines) + b"\r\n"


def fields_of(total: int, count: int) -> list[bytes]:
    """Make `count` fields that are `total` bytes together, line ends among them."""
    each, more = divmod(total, count)
    return [
        b"X-%03d: " % number + b"v" * (each + (more if number == 0 else 0) - 9)
        for number in range(count)
    ]


# The Host field, its colon, blank and line end count too.
HOST = len(b"Host: h\r\n")


def check(depot: harness.RunningDepot, request: bytes, status: int) -> None:
    stays_open = status in {200, 404}
    received = serving.ask(depot.port, request, quiet=0.5 if stays_open else 10)
    assert received.status == status
    assert received.answers == 1
    assert received.closed != stays_open
    got = harness.answer(received.data)
    if not stays_open:
        assert got.get("connection") == "close"
        assert got.body.endswith(b".\n")


@pytest.mark.parametrize(
    ("length", "status"), [(1000, 404), (1001, 414), (5000, 414), (90000, 414)]
)
@pytest.mark.parametrize("query", [False, True])
def test_a_target_past_its_limit_is_too_long(
    depot: harness.RunningDepot, length: int, status: int, *, query: bool
) -> None:
    # RFC 9110 section 15.5.15. Whatever the target is made of, a query counts.
    begun = b"/x?" if query else b"/n/"
    target = begun + b"a" * (length - len(begun))
    check(depot, head(target), 200 if query and status == 404 else status)


@pytest.mark.parametrize(
    ("total", "count", "status"),
    [
        (LIMITS["header_bytes"] - HOST, 1, 200),
        (LIMITS["header_bytes"] - HOST + 1, 1, 431),
        (LIMITS["header_bytes"] * 3, 1, 431),
        (LIMITS["header_bytes"] - HOST, 20, 200),
        (LIMITS["header_bytes"] - HOST + 1, 20, 431),
        (LIMITS["header_bytes"] * 5, 100, 431),
        (LIMITS["header_bytes"] - HOST, 300, 431),
        (120_000, 100, 431),
        (3_000_000, 1, 431),
    ],
)
def test_fields_past_their_limit_are_too_large(
    depot: harness.RunningDepot, total: int, count: int, status: int
) -> None:
    # RFC 6585 section 5: for one field, for many, and for all together.
    check(depot, head(b"/x", *fields_of(total, count)), status)


def test_a_long_name_of_a_field_counts_too(depot: harness.RunningDepot) -> None:
    check(depot, head(b"/x", b"X" * 3000 + b": v"), 200)
    check(depot, head(b"/x", b"X" * 4100 + b": v"), 431)


def test_fields_that_never_end_are_cut_off(depot: harness.RunningDepot) -> None:
    begun = b"GET /x HTTP/1.1\r\nHost: h\r\n"
    received = serving.ask(depot.port, begun + b"X: yyyyyyyyyyyyyyy\r\n" * 50_000, quiet=10)
    assert received.status in {431, None}  # the answer may be lost to the reset of unread bytes
    assert received.closed


def test_a_line_that_never_ends_is_cut_off(depot: harness.RunningDepot) -> None:
    for begun in (b"GET /", b"GET /x HTTP/1.1\r\nX: "):
        received = serving.ask(depot.port, begun + b"a" * 2_000_000, quiet=10)
        assert received.status in {414, 431, 400, None}
        assert received.closed


def test_a_limit_counts_for_each_request_of_a_connection(depot: harness.RunningDepot) -> None:
    request = head(b"/x", *fields_of(LIMITS["header_bytes"] - HOST, 10))
    received = serving.ask(depot.port, request * 8, quiet=1)
    assert received.answers == 8
    assert received.data.count(b"HTTP/1.1 200 OK") == 8


def test_others_are_served_after_all_that(depot: harness.RunningDepot) -> None:
    check(depot, head(), 200)
