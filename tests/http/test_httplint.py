"""What a linter of HTTP messages has to say about each kind of answer.

httplint is a library of others, from the package index; it knows RFC 9110, 9111 and 9112.
"""

from __future__ import annotations

import os
import time
from typing import TYPE_CHECKING, Any

import harness
import pytest
import serving

httplint = pytest.importorskip("httplint", reason="httplint needs Python 3.10")

if TYPE_CHECKING:
    from collections.abc import Iterator

MODIFIED = 1704067200
HTML, JSON = "Accept: text/html", "Accept: application/json"
PROBLEM = "Accept: application/problem+json"


@pytest.fixture(scope="module")
def depot(tmp_path_factory: pytest.TempPathFactory) -> Iterator[harness.RunningDepot]:
    folder = tmp_path_factory.mktemp("httplint")
    (folder / "tree" / "d").mkdir(parents=True)
    for name in ("f26.bin", "notes.txt", "release.tar.gz", "d/<odd> & \u00e9.txt", "empty.json"):
        file = folder / "tree" / name
        file.write_bytes(b"" if name == "empty.json" else b"abcdefghijklmnopqrstuvwxyz")
        os.utime(file, (MODIFIED, MODIFIED))
    mounts = [
        serving.mount("/", folder / "tree"),
        serving.mount("/public/", folder / "tree", "any"),
    ]
    listeners = [serving.PLAIN, serving.TLS, {**serving.PLAIN, "tls": "redirect"}]
    tls = {"publish_authority": True}
    with serving.serving(folder, *mounts, listeners=listeners, tls=tls) as running:
        yield running


# Target, fields, and the status that is looked at.
CASES: dict[str, tuple[str, list[str], int]] = {
    "a file": ("/f26.bin", [], 200),
    "a text": ("/notes.txt", [], 200),
    "an archive": ("/release.tar.gz", ["Accept-Encoding: gzip"], 200),
    "an empty file": ("/empty.json", [], 200),
    "a part": ("/f26.bin", ["Range: bytes=2-5"], 206),
    "several parts": ("/f26.bin", ["Range: bytes=0-1,10-12"], 206),
    "not modified": ("/f26.bin", ["If-None-Match: *"], 304),
    "a listing in HTML": ("/d/", [HTML], 200),
    "a listing in JSON": ("/d/", [JSON], 200),
    "a sorted listing": ("/?by=size", [HTML], 200),
    "a folder without slash": ("/d", [], 301),
    "no credentials": ("/f26.bin", ["Authorization: Basic"], 401),
    "no credentials in HTML": ("/f26.bin", ["Authorization: Basic", HTML], 401),
    "missing": ("/none", [], 404),
    "missing in HTML": ("/none", [HTML], 404),
    "missing as a problem": ("/none", [PROBLEM], 404),
    "a bad target": ("/%zz", [], 400),
    "a failed condition": ("/f26.bin", ['If-Match: "x"'], 412),
    "a range past the end": ("/f26.bin", ["Range: bytes=26-"], 416),
    "alive": ("/_depot/health", [], 200),
    "ready": ("/_depot/ready", [], 200),
    "the authority": ("/_depot/trust", [], 200),
    "the authority in HTML": ("/_depot/trust", [HTML], 200),
    "the authority in JSON": ("/_depot/trust", [JSON], 200),
    "the authority in PEM": ("/_depot/trust.pem", [], 200),
    "the authority in DER": ("/_depot/trust.cer", [], 200),
    "no host": ("/f26.bin", ["Host: a b"], 400),
    "a long target": (f"/{'a' * 9000}", [], 414),
    "large fields": ("/f26.bin", [f"X: {'a' * 40000}"], 431),
}
# What is not held against an answer, with the reason.
ALLOWED = {
    # RFC 9110 section 15.3.7.2: the head of an answer in several parts MUST NOT hold the field.
    "several parts": {"PARTIAL_WITHOUT_RANGE"},
    # These say no more than what the status says, which the client's own fault asked for.
    "a bad target": {"STATUS_BAD_REQUEST"},
    "no host": {"STATUS_BAD_REQUEST"},
    "a long target": {"STATUS_URI_TOO_LONG"},
}


def notes_on(target: str, fields: list[str], method: str, received: bytes) -> dict[str, str]:
    """Give what the linter finds bad or doubtful in an answer, by the name of each note."""
    request = httplint.HttpRequestLinter(start_time=time.time())
    request.process_request_topline(
        method.encode(), f"https://depot.plant.example{target}".encode("latin-1"), b"1.1"
    )
    lines = [line.partition(": ") for line in ["Host: depot.plant.example", *fields]]
    request.process_headers([(name.encode(), value.encode()) for name, _, value in lines])
    request.finish_content(complete=True)

    head, _, body = received.partition(b"\r\n\r\n")
    status_line, *raw = head.split(b"\r\n")
    version, status, phrase = status_line.split(b" ", 2)
    response = httplint.HttpResponseLinter(start_time=time.time(), _related=request)
    response.is_head_response = method == "HEAD"
    response.process_response_topline(version.partition(b"/")[2], status, phrase)
    response.process_headers([(each.partition(b":")[0], each.partition(b":")[2]) for each in raw])
    response.feed_content(content_of(head, body))
    response.finish_content(complete=True)
    return {type(note).__name__: f"{note.level}: {note.summary}" for note in flattened(response)}


def content_of(head: bytes, body: bytes) -> bytes:
    """Undo the framing of a body: a linter looks at content."""
    if b"transfer-encoding: chunked" not in head.lower():
        return body
    content = b""
    while body:
        size, _, body = body.partition(b"\r\n")
        content, body = content + body[: int(size, 16)], body[int(size, 16) + 2 :]
    return content


def flattened(response: Any) -> list[Any]:
    wrong = {httplint.levels.BAD, httplint.levels.WARN}
    return [note for note in response.notes if note.level in wrong]


@pytest.mark.parametrize("method", ["GET", "HEAD"])
@pytest.mark.parametrize("case", CASES)
def test_the_linter_finds_nothing_wrong(
    depot: harness.RunningDepot, case: str, method: str
) -> None:
    target, fields, status = CASES[case]
    signed_in = not any(field.startswith("Authorization") for field in fields)
    request = harness.get(target, *fields, method=method, signed_in=signed_in)
    received = serving.ask(depot.port, request)
    if not (method == "HEAD" and status in {206, 416}):
        assert received.status == status
    found = notes_on(target, fields, method, received.data)
    allowed = ALLOWED.get(case, set())
    assert {name: said for name, said in found.items() if name not in allowed} == {}


@pytest.mark.parametrize("method", ["POST", "PUT", "DELETE", "TRACE", "get", "OPTIONS"])
def test_the_linter_finds_nothing_wrong_with_other_methods(
    depot: harness.RunningDepot, method: str
) -> None:
    received = serving.ask(depot.port, harness.get("/f26.bin", method=method))
    assert received.status == (204 if method == "OPTIONS" else 405)
    assert notes_on("/f26.bin", [], method, received.data) == {}


def test_the_linter_finds_nothing_wrong_with_a_redirect_to_tls(depot: harness.RunningDepot) -> None:
    port = next(each.port for each in depot.endpoints if each.redirect)
    received = serving.ask(port, harness.get("/d/?x=1"))
    assert received.status == 301
    assert notes_on("/d/?x=1", [], "GET", received.data) == {}


def test_the_linter_does_find_faults() -> None:
    # A check that can't fail is none.
    faulty = b"HTTP/1.1 200 OK\r\nContent-Length: 5\r\nETag: unquoted\r\nDate: today\r\n\r\nabc"
    assert len(notes_on("/x", [], "GET", faulty)) >= 3
