"""Every row of dates.json, RFC 9110 section 5.6.7, by the function and against a live depot."""

from __future__ import annotations

import os
import time
from typing import TYPE_CHECKING, Any

import attrs
import harness
import pytest
import serving
import vector_rows

from depotserve.http.dates import format_date, parse_date

if TYPE_CHECKING:
    from collections.abc import Iterator

ROWS = vector_rows.load("dates")
NOW = 1704067200  # decides the century of two digits: 2024
OLDEST, LATER = 0, 1700000000
# The years that the file system of a test run can hold; a future date is not sent either.
DATED = [row for row in ROWS if row["epoch"] is not None and 0 <= row["epoch"] < NOW]
FUTURE_OR_PAST = [row for row in ROWS if row["epoch"] is not None and row not in DATED]
INVALID = [row for row in ROWS if row["epoch"] is None]


def name_of(row: dict[str, Any]) -> str:
    value: str = row["value"]
    return value or "empty"


@attrs.frozen
class Live:
    """A depot with a file for each date, one second younger, and one of the oldest date."""

    port: int

    def ask(self, path: str, *fields: str) -> harness.Answer:
        """Get a file with some fields more."""
        return harness.answer(serving.ask(self.port, harness.get(path, *fields)).data)


@pytest.fixture(scope="module")
def live(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Live]:
    folder = tmp_path_factory.mktemp("dates")
    (folder / "tree").mkdir()
    for modified in {OLDEST, LATER, *(row["epoch"] + more for row in DATED for more in (0, 1))}:
        file = folder / "tree" / str(modified)
        file.write_bytes(b"firmware")
        os.utime(file, (modified, modified))
    with serving.serving(folder, serving.mount("/", folder / "tree", "anonymous")) as depot:
        yield Live(depot.port)


@pytest.mark.parametrize("row", ROWS, ids=name_of)
def test_a_date_is_read_as_the_standard_says(row: dict[str, Any]) -> None:
    assert parse_date(row["value"], NOW) == row["epoch"]


@pytest.mark.parametrize("row", DATED, ids=name_of)
def test_a_date_that_is_sent_back_is_a_match(row: dict[str, Any], live: Live) -> None:
    path = f"/{row['epoch']}"
    assert live.ask(path, f"If-Modified-Since: {row['value']}").status == 304
    assert live.ask(path, f"If-Unmodified-Since: {row['value']}").status == 200
    part = live.ask(path, "Range: bytes=0-0", f"If-Range: {row['value']}")
    assert (part.status, part.body) == (206, b"f")


@pytest.mark.parametrize("row", DATED, ids=name_of)
def test_a_file_one_second_younger_than_a_date_is_no_match(row: dict[str, Any], live: Live) -> None:
    path = f"/{row['epoch'] + 1}"
    assert live.ask(path, f"If-Modified-Since: {row['value']}").status == 200
    assert live.ask(path, f"If-Unmodified-Since: {row['value']}").status == 412
    part = live.ask(path, "Range: bytes=0-0", f"If-Range: {row['value']}")
    assert (part.status, part.body) == (200, b"firmware")


@pytest.mark.parametrize("row", FUTURE_OR_PAST, ids=name_of)
def test_a_date_that_no_file_has_is_compared_all_the_same(row: dict[str, Any], live: Live) -> None:
    is_later = row["epoch"] > OLDEST
    got = live.ask(f"/{OLDEST}", f"If-Modified-Since: {row['value']}")
    assert got.status == (304 if is_later else 200)
    got = live.ask(f"/{OLDEST}", f"If-Unmodified-Since: {row['value']}")
    assert got.status == (200 if is_later else 412)


@pytest.mark.parametrize("row", INVALID, ids=name_of)
def test_what_is_no_date_is_ignored(row: dict[str, Any], live: Live) -> None:
    # Any reading at all would be later than the oldest file and earlier than the other.
    assert live.ask(f"/{OLDEST}", f"If-Modified-Since: {row['value']}").status == 200
    assert live.ask(f"/{LATER}", f"If-Unmodified-Since: {row['value']}").status == 200
    part = live.ask(f"/{LATER}", "Range: bytes=0-0", f"If-Range: {row['value']}")
    assert (part.status, part.body) == (200, b"firmware")


@pytest.mark.parametrize("row", DATED, ids=name_of)
def test_dates_are_sent_as_imf_fixdate(row: dict[str, Any], live: Live) -> None:
    got = live.ask(f"/{row['epoch']}")
    sent = got.get("last-modified") or ""
    # strftime's names are those of the C locale, in which tests run.
    assert sent == time.strftime("%a, %d %b %Y %H:%M:%S GMT", time.gmtime(row["epoch"]))
    assert parse_date(sent, NOW) == row["epoch"]


def test_what_is_written_can_be_read_for_all_ages() -> None:
    for seconds in range(-62135596800, 253402300800, 86400 * 97 + 3607):
        assert parse_date(format_date(seconds), NOW) == seconds


def test_no_row_was_dropped() -> None:
    assert len(DATED) + len(FUTURE_OR_PAST) + len(INVALID) == len(ROWS) == 33
