"""Every row of ranges.json, RFC 9110 sections 13 to 15, against a live depot."""

from __future__ import annotations

import os
import re
from typing import TYPE_CHECKING, Any

import attrs
import harness
import pytest
import serving
import vector_rows

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

ROWS = vector_rows.load("ranges")
MODIFIED = 784903526  # Tue, 15 Nov 1994 12:45:26 GMT: the fixture's Last-Modified

# Where the standard leaves a choice the first of `accept` is what we answer, except here.
OURS = {
    "r008": (1, "settled question: several ranges are coalesced, and these overlap"),
    "r041": (
        0,
        "section 14.1.2: no first position lies within an empty file, so 416 says the size",
    ),
    "r042": (
        0,
        "section 14.1.2: no first position lies within an empty file, so 416 says the size",
    ),
    "r125": (1, "settled question: several ranges are coalesced, and these overlap"),
    "r127": (4, "settled question: coalesced, they are one range, the whole file"),
    "r128": (3, "settled question: coalesced, they are one range, the whole file"),
    "r129": (1, "settled question: more than 16 ranges after coalescing get the whole file"),
    "r130": (1, "settled question: more than 16 ranges after coalescing get the whole file"),
    "r136": (1, "section 15.3.5: OPTIONS has fields to give and no content"),
}


def body_of(size: int) -> bytes:
    return bytes(position % 251 for position in range(size))


@attrs.frozen
class Live:
    """What the depot answered to each row, and to a plain GET of each file."""

    came: dict[str, serving.Received]
    whole: dict[int, harness.Answer]


@pytest.fixture(scope="module")
def live(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Live]:
    folder = tmp_path_factory.mktemp("ranges")
    sizes = {row["size"] for row in ROWS}
    make_files(folder / "tree", sizes)
    with harness.running_depot(folder, folder / "tree", plain=True) as depot:
        plain = {str(size): harness.get(path_of(size)) for size in sizes}
        whole = {
            int(size): harness.answer(received.data)
            for size, received in serving.ask_all(depot.port, plain).items()
        }
        requests = {row["id"]: request_of(row, whole[row["size"]]) for row in ROWS}
        yield Live(serving.ask_all(depot.port, requests), whole)


def make_files(tree: Path, sizes: set[int]) -> None:
    tree.mkdir()
    for size in sizes:
        file = tree / f"{size}.bin"
        file.write_bytes(body_of(size))
        os.utime(file, (MODIFIED, MODIFIED))


def path_of(size: int) -> str:
    return f"/{size}.bin"


def request_of(row: dict[str, Any], whole: harness.Answer) -> bytes:
    """Write a row's request, with the live file's tag in the place of the fixture's."""
    tag = whole.get("etag") or ""
    lines = [
        f"{name}: {value}".replace('"v1-strong"', tag).encode("latin-1")
        for name, value in row["headers"]
    ]
    path = "/no-such-file" if row["target"] == "missing" else path_of(row["size"])
    fields = [f"{row['method']} {path} HTTP/1.1".encode(), b"Host: localhost", b"Connection: close"]
    head = b"\r\n".join([*fields, *lines]) + b"\r\n"
    signed_in = row["target"] != "needs-credentials-none-sent"
    return head + (harness.AUTHORIZATION if signed_in else b"") + b"\r\n"


def expected_of(row: dict[str, Any]) -> dict[str, Any]:
    index, _ = OURS.get(row["id"], (row["preferred"], ""))
    accepted: dict[str, Any] = row["accept"][index]
    return accepted


@pytest.mark.parametrize("row", ROWS, ids=lambda row: row["id"])
def test_a_range_request_gets_what_the_standard_says(row: dict[str, Any], live: Live) -> None:
    received = live.came[row["id"]]
    expected = expected_of(row)
    assert received.closed
    got = harness.answer(received.data)
    assert got.status == expected["status"], row
    assert got.get("content-range") == expected["content_range"]
    data = body_of(row["size"])
    wanted = [data[first : last + 1] for first, last in expected["intervals"]]
    if expected["form"] == "multipart/byteranges":
        check_multipart(got, wanted, expected["intervals"], row["size"])
    elif row["method"] == "GET" and expected["form"] in {"single", "full"}:
        assert got.body == b"".join(wanted)
        assert got.get("content-length") == str(len(got.body))
    check_fields(got, row, live.whole[row["size"]])


def check_multipart(
    got: harness.Answer, wanted: list[bytes], intervals: list[list[int]], size: int
) -> None:
    """Read a multipart body by RFC 2046 section 5.1.1, to its last byte."""
    match = re.fullmatch(r"multipart/byteranges; boundary=(\S+)", got.get("content-type") or "")
    assert match
    delimiter = b"\r\n--" + match[1].encode()
    before, *parts, last = (b"\r\n" + got.body).split(delimiter)
    assert before == b""
    assert last == b"--\r\n"
    assert len(parts) == len(wanted)
    for part, data, (first, final) in zip(parts, wanted, intervals):
        head, _, body = part.partition(b"\r\n\r\n")
        lines = head.removeprefix(b"\r\n").decode().split("\r\n")
        assert f"Content-Range: bytes {first}-{final}/{size}" in lines
        assert "Content-Type: application/octet-stream" in lines
        assert body == data
    assert got.get("content-length") == str(len(got.body))


def check_fields(got: harness.Answer, row: dict[str, Any], whole: harness.Answer) -> None:
    """Hold an answer to what ranges.json lists under `always`."""
    assert got.status < 500
    if got.status in {200, 206, 304} and row["method"] != "OPTIONS":
        repeated = ["etag", "cache-control", "last-modified"]  # sections 15.3.7, 15.4.5
        assert [got.get(name) for name in repeated] == [whole.get(name) for name in repeated]
        assert got.get("date")
    if got.status == 304:
        assert got.body == b""
    if got.status == 416:
        assert got.get("content-range") == f"bytes */{row['size']}"
    if got.status == 401:
        telling = ["etag", "last-modified", "content-range", "accept-ranges"]
        assert [got.get(name) for name in telling] == [None] * 4


def test_our_choices_are_among_those_that_the_standard_allows() -> None:
    rows = {row["id"]: row for row in ROWS}
    assert set(OURS) <= set(rows)
    for name, (index, reason) in OURS.items():
        assert 0 <= index < len(rows[name]["accept"]), name
        assert rows[name]["level"] != "MUST" or len(rows[name]["accept"]) > 1
        assert reason


def test_no_row_was_dropped() -> None:
    assert len(ROWS) == 127
