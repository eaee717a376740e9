from __future__ import annotations

import json
import os
import shutil
import subprocess
import time
from datetime import datetime, timezone
from html.parser import HTMLParser
from typing import TYPE_CHECKING
from urllib.parse import unquote_to_bytes, urljoin, urlsplit

import pytest
from hypothesis import given
from hypothesis import strategies as st

from depotserve.http import listing, pages
from depotserve.http.listing import Entry, View
from depotserve.tls import Anchor

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

ADDRESS = "https://depot.plant.example/intake/caf%E9/"
FOLDER = b"/intake/caf\xe9/"
LITTER = [  # case A14, and what else a name can try
    b"<img src=x onerror=1>.txt",
    b'a"b.txt',
    b"a'b.txt",
    b"javascript:alert(1)",
    b"sp ace.txt",
    b"&amp;.txt",
    b"</a></table><script>1</script>",
    b"-->",
    b"two\nlines",
    b" leading and trailing ",
    b"http://elsewhere.example",
    b"?filter=x",
    b"#part",
    b"%2e%2e",
    b"{{ 7 * 7 }}",
    b"caf\xe9",
    "\u202egpj.exe".encode(),
    b"\x01\x7f",
]
NAMES = st.sampled_from(LITTER).filter(lambda name: b"/" not in name) | (
    st.binary(min_size=1, max_size=30)
    .map(lambda name: name.translate(None, b"/\x00"))
    .filter(lambda name: name not in {b"", b".", b".."})
)
ENTRIES = st.builds(
    Entry,
    name=NAMES,
    kind=st.sampled_from(["folder", "file"]),
    size=st.integers(0, 2**63 - 1),
    mtime=st.floats() | st.floats(0, 4e9),
)
FOLDERS = st.lists(ENTRIES, max_size=12, unique_by=lambda entry: entry.name)
ANCHOR = Anchor(
    subject='CN=<b>"Depot" & co\u202e,O=\n',
    fingerprint=":".join(["AB"] * 32),
    not_before=datetime(2026, 1, 1, tzinfo=timezone.utc),
    not_after=datetime(2036, 1, 1, tzinfo=timezone.utc),
    pem=b"",
    der=b"",
)
ONE = Entry(b"one.img", "file", 1234567, 1735689600.0)
SUB = Entry(b"sub", "folder", 0, 1735689600.0)


class Reader(HTMLParser):
    """Gathers what a page says: anchors of the table's rows, all elements, and all text."""

    def __init__(self, page: bytes) -> None:
        """Read a whole page."""
        super().__init__()
        self.elements: list[tuple[str, dict[str, str | None]]] = []
        self.anchors: list[tuple[str, str]] = []  # address and text of each row's link
        self.text = ""
        self._row = self._anchor = False
        self.feed(page.decode())
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        """Note an element, and begin a row's link."""
        self.elements.append((tag, dict(attrs)))
        self._row = self._row or tag == "tbody"
        if tag == "a" and self._row:
            self._anchor = True
            self.anchors.append((dict(attrs)["href"] or "", ""))

    def handle_endtag(self, tag: str) -> None:
        """End a link, or the rows."""
        if tag == "a":
            self._anchor = False
        if tag == "tbody":
            self._row = False

    def handle_data(self, data: str) -> None:
        """Add to the text of the page and of the link that is open."""
        self.text += data
        if self._anchor:
            address, text = self.anchors[-1]
            self.anchors[-1] = (address, text + data)

    def all(self, tag: str) -> list[dict[str, str | None]]:
        """Give the attributes of each element of a kind."""
        return [attributes for found, attributes in self.elements if found == tag]


def page_of(
    entries: Sequence[Entry], *, path: bytes = FOLDER, view: View | None = None, piece: int = 5
) -> bytes:
    page = pages.ListingPage(path=path, crumbs=listing.crumbs(path), view=view or View())
    return _whole(page, entries, piece)


def json_of(entries: Sequence[Entry], *, piece: int = 5) -> bytes:
    return _whole(pages.ListingJson(path=FOLDER), entries, piece)


def _whole(
    page: pages.ListingPage | pages.ListingJson, entries: Sequence[Entry], piece: int
) -> bytes:
    pieces = [entries[start : start + piece] for start in range(0, len(entries), piece)]
    return b"".join([page.head(), *map(page.rows, pieces), page.tail()])


def _resolved(address: str) -> bytes:
    target = urljoin(ADDRESS, address)
    assert target.startswith(ADDRESS)
    return unquote_to_bytes(target[len(ADDRESS) :])


def _written(entry: Entry) -> bytes:
    return entry.name + (b"/" if entry.kind == "folder" else b"")


@given(FOLDERS)
def test_every_link_leads_to_exactly_its_name_and_says_it(entries: list[Entry]) -> None:
    reader = Reader(page_of(entries))
    assert [_resolved(address) for address, _ in reader.anchors] == list(map(_written, entries))
    assert [text for _, text in reader.anchors] == [
        listing.shown(_written(entry)) for entry in entries
    ]


@given(FOLDERS, st.binary(max_size=20), st.text())
def test_no_name_path_or_filter_adds_an_element(
    entries: list[Entry], path: bytes, wanted: str
) -> None:
    view = View(filter=listing.speakable(wanted), sort="size")
    tame = [Entry(b"x", entry.kind, 0, entry.mtime) for entry in entries]
    folder = b"/" + path.replace(b"/", b"").replace(b"\x00", b"") + b"/"
    hostile = Reader(page_of(entries, path=folder, view=view))
    plain = Reader(page_of(tame, path=b"/x/" if folder != b"//" else b"/", view=view))
    assert [tag for tag, _ in hostile.elements] == [tag for tag, _ in plain.elements]
    assert {name for _, found in hostile.elements for name in found} <= {
        *("lang", "charset", "name", "content", "rel", "href", "aria-label", "aria-current"),
        *("method", "role", "for", "id", "maxlength", "value", "autocomplete", "autocapitalize"),
        *("spellcheck", "selected", "scope", "aria-sort", "class"),
    }


@given(FOLDERS, st.integers(1, 13))
def test_the_pieces_of_a_page_can_be_of_any_size(entries: list[Entry], piece: int) -> None:
    assert page_of(entries, piece=piece) == page_of(entries, piece=1000)
    assert json_of(entries, piece=piece) == json_of(entries, piece=1000)


def test_a_piece_without_entries_changes_nothing() -> None:
    for page in (
        pages.ListingPage(path=b"/", crumbs=listing.crumbs(b"/"), view=View()),
        pages.ListingJson(path=b"/"),
    ):
        page.head()
        assert page.rows([]) == b""
        assert page.rows([ONE]) != b""
        assert page.rows([]) == b""


@given(FOLDERS)
def test_the_json_listing_says_everything_exactly(entries: list[Entry]) -> None:
    document = json.loads(json_of(entries))
    assert document["path"] == "/intake/caf\ufffd/"
    found = document["entries"]
    assert [_resolved(each["href"]) for each in found] == list(map(_written, entries))
    for entry, each in zip(entries, found):
        assert each.keys() == {"name", "href", "kind", "size", "modified"}
        assert each["name"] == entry.name.decode("utf-8", "replace")
        assert (each["kind"], each["size"]) == (entry.kind, entry.size)
        assert each["modified"] == listing.rfc3339(entry.mtime)


def test_a_name_with_a_colon_is_no_scheme() -> None:
    # RFC 3986 §4.2: a first segment with a colon needs "./" or "%3A".
    [(address, text)] = Reader(page_of([Entry(b"javascript:alert(1)", "file", 1, 0.0)])).anchors
    assert urlsplit(address).scheme == ""
    assert text == "javascript:alert(1)"


def test_a_row_gives_exact_bytes_and_the_time_in_utc() -> None:
    page = page_of([SUB, ONE]).decode()
    assert "<td>1\u202f234\u202f567</td><td><time>2025-01-01 00:00:00Z</time></td>" in page
    assert "<td>folder</td><td><time>2025-01-01 00:00:00Z</time></td>" in page
    assert "<td>not known</td>" in page_of([Entry(b"x", "file", 1, 1e300)]).decode()


@pytest.mark.parametrize(
    ("entries", "wanted", "sentence"),
    [
        ([], "", "This folder is empty."),
        ([], "<b>", "No name in this folder contains \u201c&lt;b&gt;\u201d."),
        ([ONE], "", "0 folders and 1 file."),
        ([SUB, ONE, ONE], "", "1 folder and 2 files."),
        ([SUB, SUB], "su", "2 folders and 0 files with \u201csu\u201d in the name."),
    ],
)
def test_the_end_of_a_page_says_what_there_was(
    entries: list[Entry], wanted: str, sentence: str
) -> None:
    page = pages.ListingPage(path=b"/", crumbs=listing.crumbs(b"/"), view=View(filter=wanted))
    start = page.head() + page.rows(entries)
    end = page.tail()
    assert sentence in end.decode()
    assert sentence not in start.decode()
    assert end.endswith(b"</html>\n")
    assert (b"<table>" in start) == bool(entries)


def test_only_the_form_leads_to_a_query_so_that_a_crawler_meets_none() -> None:
    reader = Reader(page_of([SUB, ONE]))
    assert not [found for found in reader.all("a") if "?" in (found["href"] or "")]
    [form] = reader.all("form")
    assert form["method"] == "get"
    assert "action" not in form  # a crawler would follow it


def test_the_form_keeps_the_view_and_the_table_says_it() -> None:
    view = View(filter='va"lve', sort="date", descending=True)
    reader = Reader(page_of([ONE], view=view))
    assert [found["value"] for found in reader.all("input")] == ['va"lve']
    assert [found["value"] for found in reader.all("option") if "selected" in found] == [
        "date",
        "descending",
    ]
    assert [found.get("aria-sort") for found in reader.all("th")] == [
        None,
        None,
        "descending",
        None,
    ]
    assert "./" in [found["href"] for found in reader.all("a")]  # the way back to everything
    assert "./" not in [found["href"] for found in Reader(page_of([ONE])).all("a")]


def test_crumbs_are_absolute_links_and_the_last_is_here() -> None:
    links = Reader(page_of([])).all("a")
    assert [found["href"] for found in links] == ["/", "/intake/", "/intake/caf%E9/"]
    assert [found.get("aria-current") for found in links] == [None, None, "page"]


def test_a_page_without_crumbs_still_has_its_heading() -> None:
    page = pages.ListingPage(path=b"/a<b/", crumbs=[], view=View())
    assert b"<h1><bdi>/a&lt;b/</bdi></h1>" in page.head()


def test_an_error_page_says_its_sentence_and_nothing_more() -> None:
    page = pages.error_html(404, "Nothing <here>", 'No "entry"\x00 & such.')
    reader = Reader(page)
    words = " ".join(reader.text.split())
    assert words == ('Nothing <here> (404) Status 404 Nothing <here> No "entry"\ufffd & such.')
    assert not [tag for tag, _ in reader.elements if tag in {"here", "script", "a"}]


def test_pages_load_nothing_but_the_style_sheet() -> None:
    for page in (page_of([ONE]), pages.error_html(403, "No", "Not for you.")):
        reader = Reader(page)
        assert [found["href"] for found in reader.all("link")] == [pages.STYLE_PATH]
        assert not {"script", "img", "style", "iframe"} & {tag for tag, _ in reader.elements}
        assert not [found for _, found in reader.elements if "style" in found]
    assert b"url(" not in pages.STYLE
    assert b"@import" not in pages.STYLE
    assert "default-src 'none'" in pages.CONTENT_SECURITY_POLICY


def test_a_hundred_thousand_rows_are_written_quickly() -> None:
    entries = [
        Entry(b"gateway image %d.bin" % number, "file", number, 1.7e9 + number)
        for number in range(100_000)
    ]
    for build in (page_of, json_of):
        start = time.monotonic()
        assert build(entries, piece=500).count(b"gateway image 99999") == 1
        assert time.monotonic() - start < 10  # measured: 0.4 s


def _vnu() -> list[str]:
    jar = os.environ.get("DEPOTSERVE_VNU_JAR", "")
    if jar and os.path.isfile(jar) and shutil.which("java"):
        return ["java", "-jar", jar]
    why = "needs java and the jar of npm's vnu-jar, named by DEPOTSERVE_VNU_JAR"
    if os.environ.get("CI"):
        pytest.fail(why)
    pytest.skip(why)


@pytest.mark.slow
def test_the_pages_and_the_style_sheet_are_valid(tmp_path: Path) -> None:
    # The checker of the WHATWG HTML standard and of CSS, from npm: vnu-jar.
    check = _vnu()
    litter = [Entry(name, "file", 1, 0.0) for name in LITTER]
    every = [*litter, *(Entry(bytes([value]), "folder", 0, 1e300) for value in range(1, 256))]
    whole = View(filter='<"x">', sort="size", descending=True)
    written = {
        "full.html": page_of([SUB, ONE]),
        "every.html": page_of([entry for entry in every if entry.name != b"/"], view=whole),
        "planes.html": page_of([Entry("\uffff\U0010fffe\ufdd0".encode(), "file", 1, 0.0)]),
        "path.html": page_of([ONE], path=b"/\x01\xff<b>/\xc2\x85/"),
        "empty.html": page_of([]),
        "nothing.html": page_of([], view=whole),
        "error.html": pages.error_html(503, "Out of reach", "The content cannot be read now."),
        "trust.html": pages.trust_html([ANCHOR]),
        "trusts.html": pages.trust_html([ANCHOR, ANCHOR]),
        "style.css": pages.STYLE,
    }
    for name, content in written.items():
        (tmp_path / name).write_bytes(content)
    status, said = _checked(check, *sorted(tmp_path.iterdir()))
    assert said == "Document checking completed. No errors found."
    assert status == 0


def _checked(check: list[str], *paths: Path) -> tuple[int, str]:
    done = subprocess.run(
        [*check, "--also-check-css", "--format", "text", *map(str, paths)],
        capture_output=True,
        text=True,
        check=False,
        timeout=200,
    )
    return done.returncode, (done.stdout + done.stderr).strip()


@pytest.mark.slow
@pytest.mark.parametrize(
    ("name", "content"),
    [
        ("bad.html", page_of([ONE]).replace(b"</h1>", b"</h2>")),
        ("bad.css", pages.STYLE.replace(b"border-collapse: collapse", b"border-collapse: 3")),
    ],
)
def test_the_checker_sees_a_fault(tmp_path: Path, name: str, content: bytes) -> None:
    (tmp_path / name).write_bytes(content)
    status, said = _checked(_vnu(), tmp_path / name)
    assert status == 1
    assert name in said
