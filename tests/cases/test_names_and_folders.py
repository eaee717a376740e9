"""Cases A11, A13 and A14: names that need care, the way out of the root, folders and slashes."""

from __future__ import annotations

import html.parser
import os
import time
from typing import TYPE_CHECKING
from urllib.parse import urljoin, urlsplit

import case_tree
import pytest
import serving
from case_tree import ALPHABET, ask

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    import harness

SECRET = b"SECRET-BESIDE-THE-ROOT"
NAMES = [
    *("perl-Text-Tabs+Wrap.rpm", "a b.txt", "pct%20.txt", "100%.txt", "q?.txt", "h#.txt"),
    *("semi;x.txt", "a&b.txt", "[x].txt"),
]
# Names that a page must neither run nor bend (A14).
MARKUP = [
    *("<img src=x onerror=1>.txt", 'a"b.txt', "javascript:alert(1)", "sp ace.txt", "&amp;.txt"),
    "'quoted'.txt",
]


@pytest.fixture(scope="module")
def root(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("names")
    root = case_tree.make(folder)
    for place, names in (("named", NAMES), ("markup", MARKUP)):
        (root / place).mkdir()
        for name in names:
            case_tree.put(root / place / name, name.encode())
    case_tree.put(root / "latin.txt", b"latin")
    (folder / "secret").write_bytes(SECRET)
    (folder / "root-other").mkdir()
    (folder / "root-other" / "x").write_bytes(SECRET)
    links = {"file-out": "../secret", "folder-out": "../root-other", "link-in": "f26.bin"}
    for name, target in links.items():
        (root / name).symlink_to(target)
    os.mkfifo(root / "pipe")
    return root


@pytest.fixture(scope="module")
def depot(root: Path) -> Iterator[harness.RunningDepot]:
    with serving.serving(root.parent, serving.mount("/", root)) as running:
        yield running


# A11: RFC 3986 sections 2.1, 2.4 and 3.3.
@pytest.mark.parametrize(
    ("target", "name"),
    [
        ("perl-Text-Tabs+Wrap.rpm", "perl-Text-Tabs+Wrap.rpm"),
        ("perl-Text-Tabs%2BWrap.rpm", "perl-Text-Tabs+Wrap.rpm"),
        ("a%20b.txt", "a b.txt"),
        ("pct%2520.txt", "pct%20.txt"),
        ("100%25.txt", "100%.txt"),
        ("q%3F.txt", "q?.txt"),
        ("h%23.txt?query#".rstrip("#"), "h#.txt"),
        ("semi;x.txt", "semi;x.txt"),
        ("a&b.txt", "a&b.txt"),
        ("[x].txt", "[x].txt"),
        ("%5Bx%5D.txt", "[x].txt"),
    ],
)
def test_a_name_is_decoded_once(depot: harness.RunningDepot, target: str, name: str) -> None:
    got = ask(depot, f"/named/{target}")
    assert (got.status, got.body) == (200, name.encode())


@pytest.mark.parametrize(
    ("target", "status"),
    [("a+b.txt", 404), ("pct%20.txt", 404), ("100%.txt", 400), ("%zz", 400)],
)
def test_a_name_that_is_not_there_stays_so(
    depot: harness.RunningDepot, target: str, status: int
) -> None:
    assert ask(depot, f"/named/{target}").status == status


class Links(html.parser.HTMLParser):
    """What a page links to, and every element on it."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.found: list[str] = []
        self.texts: list[str] = []
        self.elements: list[tuple[str, list[tuple[str, str | None]]]] = []
        self._within = 0
        self.feed(page)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        """Note an element, and a link's address."""
        self.elements.append((tag, attrs))
        if tag == "a":
            self.found.append(dict(attrs).get("href") or "")
            self.texts.append("")
            self._within += 1

    def handle_endtag(self, tag: str) -> None:
        """Note that a link ends."""
        self._within -= tag == "a"

    def handle_data(self, data: str) -> None:
        """Note a link's text."""
        if self._within:
            self.texts[-1] += data


def page_of(depot: harness.RunningDepot, target: str) -> Links:
    got = ask(depot, target, "Accept: text/html")
    assert got.status == 200
    assert (got.get("content-type") or "").startswith("text/html")
    return Links(unchunked(got.body).decode())


def unchunked(body: bytes) -> bytes:
    """Put a chunked body together (RFC 9112 section 7.1)."""
    whole = b""
    while True:
        size, _, body = body.partition(b"\r\n")
        length = int(size, 16)
        if length == 0:
            assert body == b"\r\n"
            return whole
        whole, body = whole + body[:length], body[length + 2 :]


@pytest.mark.parametrize(("place", "names"), [("named", NAMES), ("markup", MARKUP)])
def test_every_link_of_a_folders_page_fetches_the_file_that_it_names(
    depot: harness.RunningDepot, root: Path, place: str, names: list[str]
) -> None:
    page = page_of(depot, f"/{place}/")
    base = f"{depot.url}{place}/"
    fetched = set()
    for link, text in zip(page.found, page.texts):
        address = urljoin(base, link)
        assert urlsplit(address).scheme == "http"
        assert urlsplit(address).netloc == urlsplit(depot.url).netloc
        path = urlsplit(address).path
        if not path.startswith(f"/{place}/") or path.endswith("/") or "?" in link:
            continue
        got = ask(depot, path)
        assert got.status == 200
        assert got.body.decode() in text
        fetched.add(got.body.decode())
    assert fetched == set(names) == set(os.listdir(root / place))


# A14: RFC 3986 section 4.2.
def test_a_name_on_a_page_runs_nothing(depot: harness.RunningDepot) -> None:
    page = page_of(depot, "/markup/")
    assert "img" not in [tag for tag, _ in page.elements]
    assert "script" not in [tag for tag, attrs in page.elements if not dict(attrs).get("src")]
    for _, attrs in page.elements:
        assert not [name for name, _ in attrs if name.startswith("on")]
    for link in page.found:
        assert not link.lower().startswith("javascript:")


@pytest.mark.parametrize("query", ["", "?by=size", "?a=%2F%2Fevil.example"])
def test_a_folder_without_its_slash_redirects_and_keeps_the_query(
    depot: harness.RunningDepot, query: str
) -> None:
    got = ask(depot, f"/d{query}")
    assert (got.status, got.get("location")) == (301, f"/d/{query}")


def test_a_file_with_a_slash_is_not_found(depot: harness.RunningDepot) -> None:
    got = ask(depot, "/f26.bin/")
    assert got.status == 404
    assert ALPHABET not in got.body


# A13: RFC 3986 sections 5.2.4 and 6.2.2.3, RFC 9112 section 3.2.2.
@pytest.mark.parametrize(
    "target",
    [
        *("/../secret", "/..%2fsecret", "/%2e%2e/secret", "/d/%2e%2e/%2e%2e/secret"),
        *("/d/..%5c..%5csecret", "/../root-other/x", "//etc/hostname", "/file-out"),
        *("/folder-out/x", "/folder-out/", "/folder-out"),
    ],
)
@pytest.mark.parametrize("method", ["GET", "HEAD", "OPTIONS"])
def test_nothing_beside_the_root_is_served(
    depot: harness.RunningDepot, target: str, method: str
) -> None:
    got = ask(depot, target, method=method)
    assert got.status in {400, 404}
    assert SECRET not in got.body
    assert got.get("content-length") != str(len(SECRET))


def test_a_link_within_the_root_is_followed(depot: harness.RunningDepot) -> None:
    assert ask(depot, "/link-in").body == ALPHABET


def test_a_page_lists_no_link_that_leads_out(depot: harness.RunningDepot) -> None:
    texts = " ".join(page_of(depot, "/").texts)
    assert "link-in" in texts
    assert "file-out" not in texts
    assert "folder-out" not in texts
    assert "pipe" not in texts


def test_a_target_in_absolute_form_is_taken(depot: harness.RunningDepot) -> None:
    got = ask(depot, f"http://127.0.0.1:{depot.port}/f26.bin")
    assert (got.status, got.body) == (200, ALPHABET)


@pytest.mark.parametrize(
    "target",
    [
        *("//evil.example/%2e%2e", "//d", "//evil.example", "/%5Cevil.example/..", "///d"),
        *("/\\evil.example", "//d?//evil.example", "http://evil.example/d", "/d%0d%0aX:y"),
    ],
)
def test_no_redirect_leads_to_another_host(depot: harness.RunningDepot, target: str) -> None:
    got = ask(depot, target)
    location = got.get("location") or ""
    assert not location.startswith(("//", "/\\"))
    assert "evil.example" not in location.partition("?")[0]
    assert got.status in {301, 400, 404}


def test_a_pipe_is_not_found_and_blocks_nobody(depot: harness.RunningDepot) -> None:
    start = time.monotonic()
    for method in ("GET", "HEAD", "OPTIONS"):
        assert ask(depot, "/pipe", method=method).status == 404
    assert time.monotonic() - start < 5
