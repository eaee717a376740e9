"""Case A17: Last-Modified from odd clocks, and the order of preconditions."""

from __future__ import annotations

import calendar
import email.utils
from typing import TYPE_CHECKING

import case_tree
import pytest
import serving
from case_tree import ALPHABET, ask

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    import harness

TIMES = {
    "future.bin": calendar.timegm((2096, 1, 1, 0, 0, 0)),
    "epoch.bin": 0,
    "before.bin": calendar.timegm((1960, 1, 1, 0, 0, 0)),
}


@pytest.fixture(scope="module")
def root(tmp_path_factory: pytest.TempPathFactory) -> Path:
    root = case_tree.make(tmp_path_factory.mktemp("times"))
    for name, modified in TIMES.items():
        case_tree.put(root / name, ALPHABET, modified)
    return root


@pytest.fixture(scope="module", params=["UTC", "America/New_York"])
def depot(root: Path, request: pytest.FixtureRequest) -> Iterator[harness.RunningDepot]:
    folder = root.parent / request.param.replace("/", "-")
    folder.mkdir()
    zone = {"TZ": request.param}
    with serving.serving(folder, serving.mount("/", root), env=zone) as running:
        yield running


def test_dates_are_in_gmt_whatever_the_zone(depot: harness.RunningDepot) -> None:
    got = ask(depot, "/f26.bin")
    assert got.get("last-modified") == "Mon, 01 Jan 2024 00:00:00 GMT"
    sent = email.utils.parsedate_to_datetime(got.get("date") or "")
    assert abs(sent.timestamp() - email.utils.localtime().timestamp()) < 60


@pytest.mark.parametrize("name", TIMES)
def test_an_odd_modification_time_is_served_without_harm(
    depot: harness.RunningDepot, name: str
) -> None:
    # RFC 9110 section 8.8.2.1: Last-Modified is never later than Date.
    got = ask(depot, f"/{name}")
    assert (got.status, got.body) == (200, ALPHABET)
    modified = got.get("last-modified")
    if name == "epoch.bin":
        assert modified == "Thu, 01 Jan 1970 00:00:00 GMT"
    else:
        assert modified is None


@pytest.mark.parametrize("name", TIMES)
def test_a_file_of_an_odd_time_is_listed(depot: harness.RunningDepot, name: str) -> None:
    for kind in ("text/html", "application/json"):
        got = ask(depot, "/", f"Accept: {kind}")
        assert got.status == 200
        assert name.encode() in got.body


def test_a_file_of_an_odd_time_is_matched_by_its_tag(depot: harness.RunningDepot) -> None:
    tag = ask(depot, "/future.bin").get("etag")
    assert ask(depot, "/future.bin", f"If-None-Match: {tag}").status == 304
    date = "Fri, 31 Dec 2100 23:59:59 GMT"
    assert ask(depot, "/future.bin", f"If-Modified-Since: {date}").status == 200
    got = ask(depot, "/future.bin", "Range: bytes=0-1", f"If-Range: {tag}")
    assert (got.status, got.body) == (206, b"ab")


# RFC 9110 sections 13.1.3 and 13.2.2.
@pytest.mark.parametrize(
    ("fields", "status"),
    [
        (['If-None-Match: "other"', "If-Modified-Since: Tue, 19 Jan 2038 03:14:07 GMT"], 200),
        (["If-None-Match: W/{tag}"], 304),
        (["If-None-Match: *"], 304),
        (['If-None-Match: "x", {tag}'], 304),
        (['If-None-Match: "x"', "If-None-Match: {tag}"], 304),
        (["If-Match: W/{tag}"], 412),
        (["If-Match: {tag}"], 200),
        (["If-Match: *"], 200),
        (['If-Match: "x"', "If-Match: {tag}"], 200),
        (["If-Modified-Since: junk"], 200),
        (["If-Modified-Since: Mon, 01 Jan 2024 00:00:00 GMT"], 304),
        (["If-Unmodified-Since: Sun, 31 Dec 2023 23:59:59 GMT"], 412),
        (["If-Match: {tag}", "If-Unmodified-Since: Sun, 31 Dec 2023 23:59:59 GMT"], 200),
        (["If-Match: {tag}", "If-None-Match: {tag}"], 304),
    ],
)
@pytest.mark.parametrize("method", ["GET", "HEAD"])
def test_preconditions_are_weighed_in_the_standards_order(
    depot: harness.RunningDepot, method: str, fields: list[str], status: int
) -> None:
    tag = ask(depot, "/f26.bin", method="HEAD").get("etag") or ""
    got = ask(depot, "/f26.bin", *(field.format(tag=tag) for field in fields), method=method)
    assert got.status == status
    if status == 304:
        assert got.body == b""
        assert got.get("etag") == tag
    if status == 200:
        assert got.body == (ALPHABET if method == "GET" else b"")
