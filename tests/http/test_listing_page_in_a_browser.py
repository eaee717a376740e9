"""The listing as headless Chromium lays it out, driven over WebDriver (W3C) on the loopback."""

from __future__ import annotations

import re
import threading
import time
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import TYPE_CHECKING
from urllib.parse import unquote_to_bytes, urlsplit

import pytest
from browsing import browsing
from listing_kit import arranged

from depotserve.http import listing, pages
from depotserve.http.listing import Entry

if TYPE_CHECKING:
    from collections.abc import Iterator

    from browsing import Browser

pytestmark = pytest.mark.slow

ENTRIES = [
    Entry(b"controllers", "folder", 0, 1735689600),
    Entry("évaporateur".encode(), "folder", 0, 1735689600),
    Entry("\u202esgnittes".encode(), "folder", 0, 1735689600),
    Entry(b"caf\xe9 manual.pdf", "file", 48_211, 1735689600.5),
    Entry(b"intake-gateway-" + b"firmware-" * 22 + b".bin", "file", 2**63 - 1, 1735689600),
    Entry(("W" * 60 + "\u202egpj.exe").encode(), "file", 0, 1735689600),
    Entry(b"two  spaces\nand a new line.txt", "file", 7, -1.5),
    Entry(b"<script>document.title='run'</script>.txt", "file", 1, 1e300),
    Entry(b"javascript:document.title='run'", "file", 1, 1735689600),
]
PATH = b"/site/pretreatment-and-reverse-osmosis-train-2/" + b"deeper/" * 12


class Site(BaseHTTPRequestHandler):
    """Answers any path with a listing, the style sheet at its address."""

    def do_GET(self) -> None:
        """Answer with a page of ours under the policy that a depot sends with it."""
        parts = urlsplit(self.path)
        if parts.path == pages.STYLE_PATH:
            return self._say("text/css", pages.STYLE)
        if parts.path == "/refused":
            sentence = "Nothing is held at this address."
            return self._say("text/html", pages.error_html(404, "Nothing here", sentence))
        if parts.path.startswith(LISTING):
            self.server.asked.append(self.path)  # type: ignore[attr-defined]
        return self._say("text/html", _page(unquote_to_bytes(parts.path), parts.query))

    def _say(self, kind: str, content: bytes) -> None:
        self.send_response(200)
        self.send_header("Content-Type", f"{kind}; charset=utf-8")
        self.send_header("Content-Security-Policy", pages.CONTENT_SECURITY_POLICY)
        self.end_headers()
        self.wfile.write(content)

    def log_message(self, *_: object) -> None:
        """Keep the test's output clean."""


def _page(path: bytes, query: str) -> bytes:
    view = listing.parse_query(query)
    page = pages.ListingPage(path=path, crumbs=listing.crumbs(path), view=view)
    entries = arranged([] if path == b"/empty/" else ENTRIES, view)
    return page.head() + page.rows(entries) + page.tail()


@pytest.fixture(scope="module")
def site() -> Iterator[ThreadingHTTPServer]:
    server = ThreadingHTTPServer(("127.0.0.1", 0), Site)
    server.asked = []  # type: ignore[attr-defined]
    thread = threading.Thread(target=server.serve_forever)
    thread.start()
    yield server
    server.shutdown()
    thread.join()
    server.server_close()


@pytest.fixture(scope="module")
def browser(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Browser]:
    with browsing(tmp_path_factory.mktemp("profile")) as page:
        yield page


LISTING = "/site/host-images/"
SCHEMES = pytest.mark.parametrize("scheme", ["light", "dark"])


@SCHEMES
@pytest.mark.parametrize(
    "path", [PATH.decode(), f"{LISTING}?filter=e&sort=date", "/empty/", "/refused"]
)
@pytest.mark.parametrize("width", [320, 360, 768, 1280])
def test_nothing_scrolls_sideways(
    browser: Browser, site: ThreadingHTTPServer, width: int, path: str, scheme: str
) -> None:
    browser.show_as(width=width, scheme=scheme)
    browser.open(_url(site, path))
    assert browser.ask("innerWidth") == width
    assert browser.ask("document.documentElement.scrollWidth") <= width
    beyond = (
        "e => e.getBoundingClientRect().right > innerWidth || e.scrollWidth > e.clientWidth + 1"
    )
    assert browser.ask(
        f"[...document.querySelectorAll('a, td, th, h1, caption')].some({beyond})"
    ) is (False)


@SCHEMES
@pytest.mark.parametrize("path", [LISTING, f"{LISTING}?filter=e", "/empty/", "/refused"])
def test_text_stands_out_as_wcag_asks(
    browser: Browser, site: ThreadingHTTPServer, path: str, scheme: str
) -> None:
    # WCAG 2.2 success criterion 1.4.3: 4.5 to 1.
    browser.show_as(width=1280, scheme=scheme)
    browser.open(_url(site, path))
    seen = browser.ask(COLOURS)
    assert len(seen) > 2
    for words, text, ground in seen:
        assert _contrast(text, ground) >= 4.5, words


COLOURS = """(() => {
  const ground = e => {
    for (; e; e = e.parentElement) {
      const colour = getComputedStyle(e).backgroundColor;
      if (!colour.endsWith(", 0)")) return colour;
    }
  };
  const walker = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  const found = [];
  for (let node; (node = walker.nextNode());) {
    const words = node.data.trim();
    const around = node.parentElement;
    if (words) found.push([words, getComputedStyle(around).color, ground(around)]);
  }
  return found;
})()"""


def _contrast(one: str, other: str) -> float:
    """Give the contrast ratio of two colours as WCAG 2.2 defines it."""
    dark, bright = sorted(map(_luminance, (one, other)))
    return (bright + 0.05) / (dark + 0.05)


def _luminance(colour: str) -> float:
    shares = [int(part) / 255 for part in re.findall(r"\d+", colour)[:3]]
    red, green, blue = (
        share / 12.92 if share <= 0.04045 else ((share + 0.055) / 1.055) ** 2.4 for share in shares
    )
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def test_contrast_is_computed_as_the_standard_does() -> None:
    # WCAG 2.2, definition of contrast ratio: 21 for black on white, 1 for equal colours.
    assert _contrast("rgb(0, 0, 0)", "rgb(255, 255, 255)") == pytest.approx(21)
    assert _contrast("rgb(9, 8, 7)", "rgb(9, 8, 7)") == 1


def test_a_dark_screen_gets_a_dark_page(browser: Browser, site: ThreadingHTTPServer) -> None:
    grounds = {}
    for scheme in ("light", "dark"):
        browser.show_as(width=1280, scheme=scheme)
        browser.open(_url(site, LISTING))
        grounds[scheme] = _luminance(browser.ask("getComputedStyle(document.body).backgroundColor"))
    assert grounds["light"] > 0.8
    assert grounds["dark"] < 0.05


@pytest.mark.parametrize("width", [360, 1280])
def test_the_keyboard_alone_filters_sorts_and_opens(
    browser: Browser, site: ThreadingHTTPServer, width: int
) -> None:
    browser.show_as(width=width)
    browser.open(_url(site, LISTING))
    browser.press(*[TAB] * 3, TAB)  # past the crumbs
    assert browser.ask("document.activeElement.id") == "filter"
    assert _outline(browser) >= 2
    browser.press(*"SPACES", TAB)
    assert browser.ask("document.activeElement.id") == "sort"
    browser.press("s", TAB, "d", TAB)
    assert browser.ask("document.activeElement.tagName") == "BUTTON"
    assert _outline(browser) >= 2
    browser.press(ENTER)
    _wait_until(browser, "location.search", "?filter=SPACES&sort=size&order=descending")
    assert browser.ask("[...document.querySelectorAll('tbody a')].map(a => a.textContent)") == [
        "two  spaces\nand a new line.txt"
    ]
    browser.ask("document.querySelector('tbody a').focus({focusVisible: true})")
    assert _outline(browser) >= 2
    browser.press(ENTER)
    wanted = f"{LISTING}two%20%20spaces%0Aand%20a%20new%20line.txt"
    _wait_until(browser, "location.pathname", wanted)


def _wait_until(browser: Browser, expression: str, value: object) -> None:
    """Wait for the page that a key has sent for; fail after 30 s."""
    end = time.monotonic() + 30
    state = f"[document.readyState, {expression}]"
    while (found := browser.ask(state)) != ["complete", value]:
        assert time.monotonic() < end, found
        time.sleep(0.05)


TAB, ENTER = "\ue004", "\ue007"  # WebDriver's names for the keys


def _outline(browser: Browser) -> float:
    style = browser.ask("getComputedStyle(document.activeElement).outline")
    assert "none" not in style
    return float(re.findall(r"([\d.]+)px", style)[0])


@pytest.mark.parametrize("entry", ENTRIES, ids=lambda entry: ascii(entry.name[:20]))
def test_no_name_runs_and_every_link_asks_for_its_own_bytes(
    browser: Browser, site: ThreadingHTTPServer, entry: Entry
) -> None:
    browser.show_as(width=1280)
    browser.open(_url(site, LISTING))
    title = browser.ask("document.title")
    place = arranged(ENTRIES, listing.View()).index(entry)
    browser.ask(f"document.querySelectorAll('tbody a')[{place}].click()")
    address = LISTING + listing.reference(entry.name, is_folder=entry.kind == "folder")
    _wait_until(browser, "location.pathname", address)
    asked = site.asked[-1]  # type: ignore[attr-defined]
    assert unquote_to_bytes(asked).startswith(LISTING.encode() + entry.name)
    assert title == f"Held at {LISTING}"
    assert browser.ask("document.title").startswith(f"Held at {LISTING}")


def test_a_name_that_reverses_text_stays_in_its_place(
    browser: Browser, site: ThreadingHTTPServer
) -> None:
    # U+202E would pull the slash that follows it to the left, were the name not isolated (Unicode
    # standard annex 9).
    browser.show_as(width=1280)
    browser.open(_url(site, LISTING))
    slash, whole = browser.ask(ENDS)
    assert slash == whole


ENDS = """(() => {
  const links = [...document.querySelectorAll('tbody a')];
  const link = links.find(each => each.textContent.endsWith("sgnittes/"));
  const last = document.createRange(), all = document.createRange();
  all.selectNodeContents(link);
  const end = link.lastChild;
  last.setStart(end, end.length - 1);
  last.setEnd(end, end.length);
  return [last, all].map(range => range.getBoundingClientRect().right);
})()"""


def _url(site: ThreadingHTTPServer, path: str) -> str:
    return f"http://127.0.0.1:{site.server_port}{path}"
