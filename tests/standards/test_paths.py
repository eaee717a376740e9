"""Every row of paths.json, RFC 3986 and RFC 9112 section 3.2, against a live depot."""

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

ROWS = vector_rows.load("paths")
MARKER = b"MARKER-OUTSIDE-THE-ROOT"
NAMES = [
    *("hello.txt", "dir/file.txt", "deep/a/b/c.txt", "a b.txt", "plus+plus.txt", "100%.txt"),
    *("%2e%2e.txt", "%41.txt", "q?.txt", "h#.txt", "semi;colon.txt", "colon:name.txt"),
    *("\u00e9.txt", "nl\nname.txt", "back\\slash.txt", "tilde~.txt", "..foo", "foo..", "..."),
    *("a..b.txt", "g.", "..g", ".hidden", ".well-known/x.txt"),
]
# In all rows the first of `accept` that has this status is meant. Where a row is in no group
# here, its preferred one is what we answer.
UPWARDS = 'the issue: ".." in any spelling is refused; a client resolves it before it asks'
NO_SUCH_NAME = "section 3.2 of RFC 3986: decoded once it is a name like any other, and not there"


def rows(numbers: str, status: int, reason: str) -> dict[str, tuple[int, str]]:
    return {f"p{int(number):03}": (status, reason) for number in numbers.split()}


OURS: dict[str, tuple[int, str]] = {
    **rows("8 54 55 56 57 58 61 63 64 68 69", 400, UPWARDS),
    **rows("37 40 41 92 93 95 97 98 99 101 102 103 104 106 107 110 112", 404, NO_SUCH_NAME),
    **rows("113 114 115 116 119 121 122 124 129 139 143 145 147 148 151", 404, NO_SUCH_NAME),
    **rows("162 164 171 172 175 177 217 218 219 220 221 222 223", 404, NO_SUCH_NAME),
    **rows("235 236 239", 404, "settled question: a link that leads nowhere inside is not found"),
    "p238": (404, "the fixture leaves this file out where root reads everything"),
    "p169": (400, "the issue: an encoded slash is refused"),
    "p180": (301, "a folder without its slash; empty names before it are dropped"),
    "p202": (204, "section 9.3.7 of RFC 9110: OPTIONS has fields to give and no content"),
}
# RFC 9112 section 3 lets a parser take several blanks as one; aiohttp's two parsers differ.
BLANKS = {"compiled": (200, "blanks in a row"), "pure Python": (400, "blanks in a row")}


@attrs.frozen
class Live:
    """What the depot answered to each row, and to the same row by HEAD."""

    parser: str
    host: str
    came: dict[str, serving.Received]
    heads: dict[str, serving.Received]
    alive: serving.Received


@pytest.fixture(scope="module", params=vector_rows.PARSERS)
def live(
    tmp_path_factory: pytest.TempPathFactory, request: pytest.FixtureRequest
) -> Iterator[Live]:
    environment = vector_rows.parser_environment(request.param)
    folder = tmp_path_factory.mktemp("paths")
    make_tree(folder)
    mount = serving.mount("/", folder / "root", "anonymous")
    with serving.serving(folder, mount, env=environment) as depot:
        host = f"127.0.0.1:{depot.port}"
        requests = {row["id"]: request_of(row, host) for row in ROWS}
        heads = {
            row["id"]: b"HEAD" + requests[row["id"]][3:] for row in ROWS if row["method"] == "GET"
        }
        came = serving.ask_all(depot.port, requests)
        came_heads = serving.ask_all(depot.port, heads)
        alive = serving.ask(depot.port, harness.get("/_depot/health"), quiet=15)
        yield Live(request.param, host, came, came_heads, alive)
        assert "failed" not in depot.log()


def make_tree(folder: Path) -> None:
    """Make the fixture of paths.json: each file holds its own name, those outside a marker."""
    root = folder / "root"
    for name in NAMES:
        file = root / name
        file.parent.mkdir(parents=True, exist_ok=True)
        file.write_bytes(name.encode())
    with open(os.fsencode(root) + b"/latin1\xe9.txt", "wb") as file:
        file.write(b"latin1\xe9.txt")
    (folder / "rootx").mkdir()
    (folder / "outside.txt").write_bytes(MARKER)
    (folder / "rootx" / "secret.txt").write_bytes(MARKER)
    links = {"link-in": "hello.txt", "link-out": "../outside.txt", "dirlink-out": "../rootx"}
    for name, target in {**links, "loop": "loop", "dangling": "nowhere"}.items():
        (root / name).symlink_to(target)
    os.mkfifo(root / "pipe")
    if os.geteuid() != 0:
        (root / "noperm.txt").write_bytes(b"noperm.txt")
        (root / "noperm.txt").chmod(0)


def request_of(row: dict[str, Any], host: str) -> bytes:
    """Write a row's request, each character as the one octet that it stands for."""
    target = row["target"].replace("HOST", host)
    value = row.get("host", "HOST")
    lines = [f"{row['method']} {target} {row['version']}", "Connection: close"]
    if value is not None:
        lines.insert(1, f"Host: {value.replace('HOST', host)}")
    return "\r\n".join(lines).encode("latin-1") + b"\r\n\r\n"


def expected_of(row: dict[str, Any], parser: str) -> dict[str, Any]:
    """Give the one member of `accept` that we answer with."""
    preferred: dict[str, Any] = row["accept"][row["preferred"]]
    ours = {**OURS, "p213": BLANKS[parser], "p214": BLANKS[parser]}
    if row["id"] == "p238" and os.geteuid() != 0:
        return preferred  # 403 where permission bits count
    if row["id"] not in ours:
        return preferred
    status, _ = ours[row["id"]]
    return next(member for member in row["accept"] if member["status"] == status)


@pytest.mark.parametrize("row", ROWS, ids=lambda row: row["id"])
def test_a_target_leads_where_the_standard_says(row: dict[str, Any], live: Live) -> None:
    received = live.came[row["id"]]
    expected = expected_of(row, live.parser)
    assert received.closed
    got = harness.answer(received.data)
    assert got.status == expected["status"], row
    if "file_bytes" in expected:
        assert got.body == expected["file_bytes"].encode().decode("unicode_escape").encode(
            "latin-1"
        )
    elif "file" in expected:
        assert got.body == expected["file"].encode()
    location = got.get("location")
    if location is not None:
        check_location(location, expected)


def check_location(location: str, expected: dict[str, Any]) -> None:
    """Hold a redirect to this host, to encoded characters, and to what the row says."""
    assert re.fullmatch(r"/(?![/\\])[!-~]*", location)
    if expected.get("location_path"):
        assert location == expected["location_path"]


@pytest.mark.parametrize("row", ROWS, ids=lambda row: row["id"])
def test_nothing_outside_the_root_shows_in_any_answer(row: dict[str, Any], live: Live) -> None:
    for received in (live.came[row["id"]], live.heads.get(row["id"], live.came[row["id"]])):
        assert MARKER not in received.data
        assert received.status is not None
        assert received.status < 500
        assert (
            b"X-Injected" not in received.data.replace(b"%0aX-Injected", b"").split(b"\r\n\r\n")[0]
        )


@pytest.mark.parametrize("name", [row["id"] for row in ROWS if row["method"] == "GET"])
def test_head_gives_the_status_and_length_that_get_gives(name: str, live: Live) -> None:
    got, head = (harness.answer(came[name].data) for came in (live.came, live.heads))
    assert head.body == b""
    assert head.status == got.status
    for field in ("content-length", "etag", "last-modified", "content-type", "location"):
        assert head.get(field) == got.get(field)


def test_the_depot_is_alive_after_all_rows(live: Live) -> None:
    assert live.alive.status == 200


def test_our_choices_are_among_those_that_the_standard_allows() -> None:
    by_name = {row["id"]: row for row in ROWS}
    for name, (status, reason) in OURS.items():
        assert status in [member["status"] for member in by_name[name]["accept"]], name
        assert by_name[name]["level"] != "MUST" or len(by_name[name]["accept"]) > 1
        assert reason


def test_no_row_was_dropped() -> None:
    assert len(ROWS) == 184
