"""Each refusal says one plain sentence, in the form that its reader prefers, and no more."""

from __future__ import annotations

import html.parser
import json
import re
import ssl
import sys
from typing import TYPE_CHECKING

import harness
import pytest
import serving

import depotserve

if TYPE_CHECKING:
    from collections.abc import Iterator

# Status, target, further fields, and the sentence.
REFUSALS = {
    "bad target": (400, "/%zz", [], "The request target has a broken percent-encoding."),
    "upwards": (400, "/../x", [], "The request target leads upwards."),
    "encoded slash": (400, "/d%2fx", [], "The request target has an encoded slash or NUL."),
    "no credentials": (
        401,
        "/x",
        ["Authorization: Bearer x"],
        "Sign in with a user name and a passphrase.",
    ),
    "wrong passphrase": (
        401,
        "/x",
        ["Authorization: Basic YW5uOng="],
        "The user name or the passphrase is not right.",
    ),
    "other reader": (403, "/other/x", [], "This is not for the user that is signed in."),
    "missing": (404, "/none", [], "There is nothing here by this name."),
    "file as folder": (404, "/x/", [], "There is a file by this name, but no folder."),
    "condition": (
        412,
        "/x",
        ['If-Match: "y"'],
        "The file is not the one that the request speaks of.",
    ),
    "range": (416, "/x", ["Range: bytes=9-"], "The file ends before the range begins."),
}
METHOD = "The depot answers GET, HEAD and OPTIONS only."
# Answers that end the connection, to requests that no library would send.
REST = b" HTTP/1.1\r\nHost: h\r\n"
UNREADABLE: dict[str, tuple[bytes, int, str]] = {
    "no host": (b"GET /x HTTP/1.1\r\n\r\n", 400, ""),
    "two hosts": (b"GET /x" + REST + b"Host: b\r\n\r\n", 400, ""),
    "no slash": (b"GET x" + REST + b"\r\n", 400, ""),
    "a TLS hello": (b"\x16\x03\x01\x02\x00\x01\x00\x01\xfc\x03\x03\r\n\r\n", 400, ""),
    "long target": (
        b"GET /" + b"a" * 9000 + REST + b"\r\n",
        414,
        "The request target is too long.",
    ),
    "large field": (
        b"GET /x" + REST + b"X: " + b"a" * 40000 + b"\r\n\r\n",
        431,
        "The request's fields are too large.",
    ),
    "other version": (
        b"GET /x HTTP/2.0\r\nHost: h\r\n\r\n",
        505,
        "The depot speaks versions 1.0 and 1.1 of HTTP.",
    ),
    "other method": (b"BREW /x" + REST + b"\r\n", 405, METHOD),
}


@pytest.fixture(scope="module")
def depot(tmp_path_factory: pytest.TempPathFactory) -> Iterator[harness.RunningDepot]:
    folder = tmp_path_factory.mktemp("errors")
    for name in ("tree", "other"):
        (folder / name).mkdir()
        (folder / name / "x").write_bytes(b"x")
    mounts = [
        serving.mount("/", folder / "tree"),
        serving.mount("/other/", folder / "other", ["z"]),
    ]
    throttle = {"failures": 100, "seconds": 1}
    with serving.serving(folder, *mounts, throttle=throttle) as running:
        yield running
    assert "Traceback" not in running.log()


def ask(depot: harness.RunningDepot, case: str, accept: str, method: str = "GET") -> harness.Answer:
    status, target, fields, _ = REFUSALS[case]
    signed_in = not any(field.startswith("Authorization") for field in fields)
    accepts = [f"Accept: {accept}"] if accept else []
    request = harness.get(target, *fields, *accepts, method=method, signed_in=signed_in)
    got = harness.answer(serving.ask(depot.port, request).data)
    assert got.status == status
    return got


@pytest.mark.parametrize("accept", ["", "*/*", "text/plain", "image/png", "text/*;q=0.1"])
@pytest.mark.parametrize("case", REFUSALS)
def test_a_refusal_is_one_line_of_text(depot: harness.RunningDepot, case: str, accept: str) -> None:
    got = ask(depot, case, accept)
    assert got.get("content-type") == "text/plain; charset=utf-8"
    assert got.body.decode() == f"{REFUSALS[case][3]}\n"


class Page(html.parser.HTMLParser):
    """The words of a page, and the elements on it."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.words = ""
        self.elements: list[str] = []
        self.feed(page)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        """Note an element."""
        self.elements.append(tag)
        assert not [name for name, _ in attrs if name.startswith("on")]

    def handle_data(self, data: str) -> None:
        """Note a text."""
        self.words += data


@pytest.mark.parametrize(
    "accept",
    ["text/html", "text/html,application/xhtml+xml,application/xml;q=0.9,image/avif,*/*;q=0.8"],
)
@pytest.mark.parametrize("case", REFUSALS)
def test_a_browser_gets_the_sentence_on_a_page(
    depot: harness.RunningDepot, case: str, accept: str
) -> None:
    got = ask(depot, case, accept)
    assert got.get("content-type") == "text/html; charset=utf-8"
    page = Page(got.body.decode())
    assert REFUSALS[case][3] in page.words
    assert "script" not in page.elements
    assert "default-src 'none'" in (got.get("content-security-policy") or "")


@pytest.mark.parametrize("accept", ["application/problem+json", "application/json"])
@pytest.mark.parametrize("case", REFUSALS)
def test_a_program_gets_a_problem_document(
    depot: harness.RunningDepot, case: str, accept: str
) -> None:
    # RFC 9457 section 3: without a type the title is the status's own phrase.
    got = ask(depot, case, accept)
    assert got.get("content-type") == "application/problem+json"
    document = json.loads(got.body)
    assert document["status"] == got.status
    assert document["detail"] == REFUSALS[case][3]
    assert document.get("type", "about:blank") == "about:blank"
    assert isinstance(document["title"], str)


# A range is for GET only (RFC 9110 section 14.2), so HEAD is never refused for one.
@pytest.mark.parametrize("case", [case for case in REFUSALS if case != "range"])
def test_a_refusal_of_head_is_its_head_alone(depot: harness.RunningDepot, case: str) -> None:
    for accept in ("", "text/html", "application/json"):
        got, whole = ask(depot, case, accept, "HEAD"), ask(depot, case, accept)
        assert got.body == b""
        assert got.get("content-length") == str(len(whole.body))


@pytest.mark.parametrize("case", REFUSALS)
def test_a_refusal_is_kept_by_no_cache_and_its_type_is_not_guessed(
    depot: harness.RunningDepot, case: str
) -> None:
    got = ask(depot, case, "text/html")
    assert got.get("cache-control") == "no-store"
    assert got.get("vary") == "Accept"
    assert got.get("x-content-type-options") == "nosniff"
    assert got.get("etag") is None
    assert got.get("last-modified") is None


@pytest.mark.parametrize("case", UNREADABLE)
def test_what_can_not_be_read_is_refused_in_one_sentence(
    depot: harness.RunningDepot, case: str
) -> None:
    request, status, sentence = UNREADABLE[case]
    received = serving.ask(depot.port, request)
    got = harness.answer(received.data)
    assert got.status == status
    assert received.closed
    assert re.fullmatch(rb"[A-Z][^\n]{10,80}\.\n", got.body)
    assert not sentence or got.body.decode() == f"{sentence}\n"
    if status == 405:
        assert got.get("allow") == "GET, HEAD, OPTIONS"


@pytest.mark.parametrize("method", ["POST", "PUT", "DELETE", "PATCH", "TRACE", "get", "BREW"])
def test_another_method_is_not_allowed_and_told_which_are(
    depot: harness.RunningDepot, method: str
) -> None:
    # RFC 9110 section 15.5.6; TRACE echoes nothing (section 9.3.8).
    for signed_in in (True, False):
        for target in ("/x", "/none", "/", "/_depot/health"):
            request = harness.get(target, method=method, signed_in=signed_in)
            got = harness.answer(serving.ask(depot.port, request).data)
            assert (got.status, got.get("allow")) == (405, "GET, HEAD, OPTIONS")
            assert b"YW5u" not in got.body


@pytest.mark.parametrize("accept", ["text/plain", "text/html", "application/json"])
def test_no_answer_tells_of_the_machine_or_the_program(
    depot: harness.RunningDepot, accept: str
) -> None:
    telling = [
        *(str(depot.home.parent), "tree", "/home/", "accounts", "Traceback", ".py"),
        *(
            depotserve.__version__,
            "aiohttp",
            "Python",
            f"{sys.version_info[0]}.{sys.version_info[1]}.",
        ),
        ssl.OPENSSL_VERSION.split()[1],
    ]
    answers = [ask(depot, case, accept) for case in REFUSALS]
    pages = ["/", "/x", "/_depot/health", "/_depot/ready", "/_depot/none", "/_depot/"]
    for page in pages:
        request = harness.get(page, f"Accept: {accept}")
        answers.append(harness.answer(serving.ask(depot.port, request).data))
    for request, _, _ in UNREADABLE.values():
        answers.append(harness.answer(serving.ask(depot.port, request).data))
    for got in answers:
        said = got.body.decode("latin-1") + str(got.headers)
        assert [word for word in telling if word in said] == []
        assert got.get("server") is None


@pytest.mark.parametrize(
    ("page", "status", "body"),
    [
        ("/_depot/health", 200, b"alive\n"),
        ("/_depot/ready", 200, b"ready\n"),
        ("/_depot/", 404, None),
        ("/_depot", 404, None),
        ("/_depot/none", 404, None),
        ("/_depot/health/", 404, None),
        ("/_depot/../x", 400, None),
    ],
)
def test_the_depots_own_pages_need_no_password_and_tell_a_state_only(
    depot: harness.RunningDepot, page: str, status: int, body: bytes | None
) -> None:
    for signed_in in (True, False):
        got = harness.answer(serving.ask(depot.port, harness.get(page, signed_in=signed_in)).data)
        assert got.status == status
        assert got.get("www-authenticate") is None
        assert body is None or got.body == body
