"""Every row of framing.json, RFC 9112 and RFC 9110, against a live depot, by both parsers."""

from __future__ import annotations

import base64
from typing import TYPE_CHECKING, Any

import harness
import pytest
import serving
import vector_rows

if TYPE_CHECKING:
    from collections.abc import Iterator

ROWS = vector_rows.load("framing")
# A head that never ends is given up after this time, so that the row for it need not wait long.
HEADER_SECONDS = 2
# Rows that end with the connection are waited for; others by silence, which is no fault here.
CLOSES, IDLE = 15.0, 1.0
# A bare CR ends no line, and a bare LF need not end one (section 2.2): either is answered, or the
# connection is closed when the head is overdue.
UNENDED = ("f032", "f033")
# The rows with several statuses, and which of them we answer.
OURS: dict[str, tuple[int, ...]] = {
    "f012": (200,),  # section 3.2.2 of RFC 3986: a sub-delim may stand in a registered name
    "f031": (200,),  # section 2.2: empty lines before a request line are passed over
    "f039": (400,),  # section 2.3: no digit after the dot, so no version
    "f044": (400,),
    "f048": (400,),  # not a token, so no method
    "f050": (400,),  # section 3.2.4: "*" is a target of OPTIONS only, whatever the version
    "f051": (405,),  # section 9.1 of RFC 9110: methods are case-sensitive
    **dict.fromkeys(["f054", "f056", "f057", "f058"], (405,)),  # the issue: any other method
    "f059": (204,),  # section 9.3.7 of RFC 9110
    "f079": (400,),  # section 6.3 allows either; refused, since nothing of ours sends it
    "f080": (405,),
    "f081": (400,),  # section 6.3: both framings may be an attack
    **dict.fromkeys(["f104", "f105", "f106", "f107"], (405,)),
    "f108": (200,),  # section 10.1.1 of RFC 9110: 417 is optional, the content is not used
    "f112": (200,),  # section 7.8 of RFC 9110: no upgrade is offered
    "f113": (200,),  # section 9.3.1 of RFC 9110: content in a GET has no meaning
    "f114": (200,),
}


def accepted(row: dict[str, Any], *, signed_in: bool) -> set[int]:
    """Give the statuses for a row, by the table above or its own.

    framing.json: where an account is asked for, 401 may stand for what a readable request gets.
    """
    statuses = set(OURS.get(row["id"], row["accept_status"]))
    return statuses if signed_in else statuses | ({401} if statuses & {200, 403, 404} else set())


@pytest.fixture(scope="module", params=["anonymous", "any"])
def readers(request: pytest.FixtureRequest) -> str:
    """Serve once to everybody and once to known users: framing is looked at first in both."""
    users: str = request.param
    return users


@pytest.fixture(scope="module", params=vector_rows.PARSERS)
def live(
    tmp_path_factory: pytest.TempPathFactory, request: pytest.FixtureRequest, readers: str
) -> Iterator[dict[str, serving.Received]]:
    environment = vector_rows.parser_environment(request.param)
    folder = tmp_path_factory.mktemp("framing")
    (folder / "tree").mkdir()
    (folder / "tree" / "hello.txt").write_bytes(b"hello.txt")
    mount = serving.mount("/", folder / "tree", readers)
    limits = {"header_seconds": HEADER_SECONDS}
    with serving.serving(folder, mount, env=environment, limits=limits) as depot:
        closing, others = sorted_rows()
        came = serving.ask_all(depot.port, closing, quiet=CLOSES)
        came.update(serving.ask_all(depot.port, others, quiet=IDLE))
        assert serving.ask(depot.port, harness.get("/_depot/health")).status == 200
        yield came
        log = depot.log()
    assert "Traceback" not in log
    assert "failed" not in log


def sorted_rows() -> tuple[dict[str, bytes], dict[str, bytes]]:
    """Part the rows' bytes into those that must end with the connection and the others."""
    parts: tuple[dict[str, bytes], dict[str, bytes]] = ({}, {})
    for row in ROWS:
        closes = row.get("connection_must_close") or row["id"] in UNENDED
        parts[0 if closes else 1][row["id"]] = base64.b64decode(row["raw_base64"])
    return parts


@pytest.mark.parametrize("row", ROWS, ids=lambda row: row["id"])
def test_bytes_are_framed_as_the_standard_says(
    row: dict[str, Any], live: dict[str, serving.Received], readers: str
) -> None:
    received = live[row["id"]]
    if row["id"] in UNENDED and received.status is None:
        assert received.closed
        return
    assert received.status in accepted(row, signed_in=readers == "anonymous"), row["raw_repr"]
    assert received.answers <= row.get("max_responses", received.answers)
    if row.get("connection_must_close") or received.status == 400:
        assert received.closed
    if received.status == 405:
        assert harness.answer(received.data).get("allow") == "GET, HEAD, OPTIONS"


def test_requests_in_a_row_are_answered_in_a_row(live: dict[str, serving.Received]) -> None:
    assert live["f065"].answers == 3


def test_a_body_of_a_refused_request_is_never_taken_for_a_request(
    live: dict[str, serving.Received],
) -> None:
    for row in ROWS:
        if row.get("max_responses") == 1:
            assert live[row["id"]].answers <= 1
            assert b"hello.txt" not in live[row["id"]].data.partition(b"\r\n\r\n")[2]


def test_head_gets_no_body(live: dict[str, serving.Received]) -> None:
    assert harness.answer(live["f060"].data).body == b""


def test_an_interim_answer_comes_only_before_a_final_one(live: dict[str, serving.Received]) -> None:
    for received in live.values():
        assert not received.data.startswith(b"HTTP/1.1 1")


def test_our_choices_are_among_those_that_the_standard_allows() -> None:
    rows = {row["id"]: row for row in ROWS}
    for name, statuses in OURS.items():
        assert set(statuses) <= set(rows[name]["accept_status"]), name


def test_no_row_was_dropped() -> None:
    assert len(ROWS) == 86
