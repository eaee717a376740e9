"""Cases A01, A03, A04, A05 and X12: parts of a file, and downloads that go on."""

from __future__ import annotations

import email
import os
import threading
import time
from typing import TYPE_CHECKING

import case_tree
import harness
import pytest
import serving
from case_tree import ALPHABET, ask

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

LARGE = 5368709120  # 5 GiB, past what 32 bits hold


@pytest.fixture(scope="module")
def root(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return case_tree.make(tmp_path_factory.mktemp("ranges"))


@pytest.fixture(scope="module")
def depot(root: Path) -> Iterator[harness.RunningDepot]:
    with serving.serving(root.parent, serving.mount("/", root)) as running:
        yield running


def test_a_stale_entity_tag_in_if_range_gets_the_whole_new_file(
    depot: harness.RunningDepot, root: Path
) -> None:
    # A01: RFC 9110 sections 13.1.5 and 13.2.2.
    file = case_tree.put(root / "a01.bin", ALPHABET)
    before = ask(depot, "/a01.bin", method="HEAD").get("etag")
    case_tree.put(file, b"Z" * 26, case_tree.MODIFIED + 10)
    got = ask(depot, "/a01.bin", "Range: bytes=10-", f"If-Range: {before}")
    assert (got.status, got.body) == (200, b"Z" * 26)
    assert got.get("content-length") == "26"
    assert got.get("content-range") is None
    now = ask(depot, "/a01.bin", method="HEAD").get("etag")
    assert now != before
    got = ask(depot, "/a01.bin", "Range: bytes=10-", f"If-Range: {now}")
    assert (got.status, got.body) == (206, b"Z" * 16)
    assert got.get("content-range") == "bytes 10-25/26"


def test_a_file_overwritten_within_one_clock_tick_gets_another_tag(
    depot: harness.RunningDepot, root: Path
) -> None:
    # A01, where the writer set the old time again: the size and both times that a tool can set
    # are as they were.
    file = case_tree.put(root / "same.bin", ALPHABET)
    before = ask(depot, "/same.bin").get("etag")
    case_tree.put(file, b"Z" * 26)
    assert ask(depot, "/same.bin").get("etag") != before


# A03: RFC 9110 sections 14.1.2 and 15.5.17.
@pytest.mark.parametrize(
    ("asked", "content_range", "body"),
    [
        ("-5", "21-25/26", b"vwxyz"),
        ("-100", "0-25/26", ALPHABET),
        ("20-999", "20-25/26", b"uvwxyz"),
        ("25-", "25-25/26", b"z"),
        ("0-18446744073709551615", "0-25/26", ALPHABET),
    ],
)
def test_a_range_is_cut_to_the_file(
    depot: harness.RunningDepot, asked: str, content_range: str, body: bytes
) -> None:
    got = ask(depot, "/f26.bin", f"Range: bytes={asked}")
    assert (got.status, got.body) == (206, body)
    assert got.get("content-range") == f"bytes {content_range}"
    assert got.get("content-length") == str(len(body))


@pytest.mark.parametrize("asked", ["26-", "-0", "18446744073709551616-"])
def test_a_range_past_the_end_is_not_satisfiable(depot: harness.RunningDepot, asked: str) -> None:
    got = ask(depot, "/f26.bin", f"Range: bytes={asked}")
    assert (got.status, got.get("content-range")) == (416, "bytes */26")


def test_a_position_of_five_thousand_digits_is_answered_at_once(
    depot: harness.RunningDepot,
) -> None:
    start = time.monotonic()
    got = ask(depot, "/f26.bin", f"Range: bytes={'9' * 5000}-")
    assert got.status == 416
    assert time.monotonic() - start < 1


def test_ranges_of_an_empty_file_are_never_partial(depot: harness.RunningDepot) -> None:
    got = ask(depot, "/empty.bin", "Range: bytes=0-")
    assert (got.status, got.get("content-range")) == (416, "bytes */0")
    got = ask(depot, "/empty.bin", "Range: bytes=-1")
    assert (got.status, got.body, got.get("content-length")) == (200, b"", "0")


def test_the_end_of_a_file_past_four_gibibytes_arrives(
    depot: harness.RunningDepot, root: Path
) -> None:
    with (root / "large.iso").open("wb") as file:
        os.truncate(file.fileno(), LARGE)
        file.seek(LARGE - 3)
        file.write(b"END")
    got = ask(depot, "/large.iso", f"Range: bytes={LARGE - 3}-")
    assert (got.status, got.body) == (206, b"END")
    assert got.get("content-range") == f"bytes {LARGE - 3}-{LARGE - 1}/{LARGE}"
    got = ask(depot, "/large.iso", "Range: bytes=4294967294-4294967297")
    assert (got.status, got.body) == (206, bytes(4))
    got = ask(depot, "/large.iso", f"Range: bytes={2**63}-")
    assert (got.status, got.get("content-range")) == (416, f"bytes */{LARGE}")
    got = ask(depot, "/large.iso", method="HEAD")
    assert got.get("content-length") == str(LARGE)


# A04: RFC 9110 sections 14.2, 14.6, 15.3.7.2 and 17.15.
def test_two_ranges_come_as_two_parts_that_a_mail_reader_can_read(
    depot: harness.RunningDepot,
) -> None:
    got = ask(depot, "/f26.bin", "Range: bytes=0-0,2-3")
    assert got.status == 206
    assert got.get("content-range") is None
    assert got.get("content-length") == str(len(got.body))
    head = f"MIME-Version: 1.0\r\nContent-Type: {got.get('content-type')}\r\n\r\n"
    message = email.message_from_bytes(head.encode() + got.body)
    parts = [(part["Content-Range"], part.get_payload(decode=True)) for part in message.walk()][1:]
    assert parts == [("bytes 0-0/26", b"a"), ("bytes 2-3/26", b"cd")]
    assert got.body.endswith(b"--\r\n")
    assert got.body.count(b"\n") == got.body.count(b"\r\n")


def test_one_satisfiable_range_of_two_is_enough(depot: harness.RunningDepot) -> None:
    got = ask(depot, "/f26.bin", "Range: bytes=100-200,0-1")
    assert (got.status, got.body) == (206, b"ab")
    assert got.get("content-range") == "bytes 0-1/26"


def test_ranges_none_of_which_is_satisfiable_are_refused(depot: harness.RunningDepot) -> None:
    got = ask(depot, "/f26.bin", "Range: bytes=100-200,300-400")
    assert (got.status, got.get("content-range")) == (416, "bytes */26")


def test_a_thousand_ranges_of_the_whole_cost_no_more_than_the_file(
    depot: harness.RunningDepot, root: Path
) -> None:
    size = 50 * 1024 * 1024
    with (root / "many.bin").open("wb") as file:
        os.truncate(file.fileno(), size)
    ranges = f"Range: bytes={','.join(['0-'] * 1200)}"
    request = harness.get("/many.bin", ranges)
    assert len(request) < 8192
    received: list[serving.Received] = []
    asking = threading.Thread(target=lambda: received.append(serving.ask(depot.port, request)))
    start = time.monotonic()
    asking.start()
    assert ask(depot, "/x").body == b"x"
    assert time.monotonic() - start < 1
    asking.join()
    got = harness.answer(received[0].data)
    assert got.status == 206
    assert len(got.body) == int(got.get("content-length") or 0) == size


# A05: RFC 9110 sections 14.1, 14.1.1 and 14.2.
@pytest.mark.parametrize(
    "value",
    [
        *("items=0-1", "bytes 0-1", "bytes=", "bytes=,", "bytes=abc", "bytes=1-2-3", "bytes=5-4"),
        "bytes=\u0660-\u0664".encode().decode("latin-1"),
    ],
)
def test_what_is_no_range_is_ignored(depot: harness.RunningDepot, value: str) -> None:
    got = ask(depot, "/f26.bin", f"Range: {value}")
    assert (got.status, got.body, got.get("content-length")) == (200, ALPHABET, "26")
    assert got.get("content-range") is None


def test_the_name_of_a_unit_is_taken_in_any_case(depot: harness.RunningDepot) -> None:
    assert ask(depot, "/f26.bin", "Range: Bytes=0-1").body == b"ab"


# X12: RFC 9110 section 13.1.5.
def test_if_range_without_range_is_ignored(depot: harness.RunningDepot) -> None:
    got = ask(depot, "/f26.bin", 'If-Range: "other"')
    assert (got.status, got.body) == (200, ALPHABET)


def test_a_range_of_a_folder_gets_the_whole_listing(depot: harness.RunningDepot) -> None:
    whole = ask(depot, "/d/")
    got = ask(depot, "/d/", "Range: bytes=0-9")
    assert (got.status, got.body) == (200, whole.body)
