from __future__ import annotations

import math
import time
from urllib.parse import quote, unquote_to_bytes, urlencode, urljoin

import pytest
from hypothesis import given
from hypothesis import strategies as st
from listing_kit import arranged, arranged_names

from depotserve.http.listing import (
    Entry,
    View,
    arrange,
    crumbs,
    parse_query,
    reference,
    rfc3339,
    shown,
)

BIG = Entry(b"big.img", "file", 5_000_000_000, 300.0)
MID = Entry(b"Mid.img", "file", 70, 100.0)
TWIN = Entry(b"twin.img", "file", 70, 100.0)
OLD = Entry(b"old", "folder", 0, 50.0)
NEW = Entry(b"new", "folder", 0, 400.0)
ALL = [TWIN, OLD, BIG, NEW, MID]

# What a folder can hold: no slash, no NUL, not empty, neither of the two dot names.
NAMES = (
    st.binary(min_size=1, max_size=40)
    .map(lambda name: name.translate(None, b"/\x00"))
    .filter(lambda name: name not in {b"", b".", b".."})
)


@pytest.mark.parametrize(
    ("query", "view"),
    [
        ("", View()),
        ("sort=size", View(sort="size")),
        ("sort=date&order=descending", View(sort="date", descending=True)),
        ("filter=a%20b%26c+d&sort=name&order=ascending", View(filter="a b&c d")),
        ("filter=%C3%A9", View(filter="\u00e9")),
        # Unknown or malformed: as if it were not there.
        ("sort=colour&order=sideways&page=3", View()),
        ("sort=SIZE", View()),
        ("sort", View()),
        ("&&&;;;===", View()),
        ("filter=%C3%28%zz%", View(filter="\ufffd(%zz%")),
        ("filter=a%00b%0Dc", View(filter="a\ufffdb\ufffdc")),
        ("filter=\udcff\ud800", View(filter="\ufffd\ufffd")),
        # The last of a kind counts.
        ("sort=size&sort=date", View(sort="date")),
        # Too much.
        ("&".join(f"x{number}=1" for number in range(17)) + "&sort=size", View()),
        ("x=" + "1" * 5000 + "&sort=size", View()),
        ("filter=" + "a" * 300, View(filter="a" * 255)),
    ],
)
def test_a_query_is_read_into_a_view(query: str, view: View) -> None:
    assert parse_query(query) == view


@given(st.text(st.characters()))
def test_any_query_gives_a_view(query: str) -> None:
    view = parse_query(query)
    assert view.sort in {"name", "size", "date"}
    view.filter.encode()  # it can be put on a page


@given(st.text(max_size=100))
def test_a_filter_comes_through_its_query(text: str) -> None:
    wanted = shown(text.encode())
    assert parse_query(urlencode({"filter": wanted})).filter == wanted


@pytest.mark.parametrize(
    ("view", "expected"),
    [
        (View(), [NEW, OLD, MID, BIG, TWIN]),
        (View(descending=True), [OLD, NEW, TWIN, BIG, MID]),
        (View(sort="size"), [NEW, OLD, MID, TWIN, BIG]),
        (View(sort="size", descending=True), [NEW, OLD, BIG, MID, TWIN]),
        (View(sort="date"), [OLD, NEW, MID, TWIN, BIG]),
        (View(sort="date", descending=True), [NEW, OLD, BIG, MID, TWIN]),
        (View(filter="MI"), [MID]),
        (View(filter=".img", sort="size"), [MID, TWIN, BIG]),
        (View(filter="nothing like it"), []),
    ],
)
def test_entries_are_arranged_folders_first(view: View, expected: list[Entry]) -> None:
    assert arranged(ALL, view) == expected
    assert arranged(ALL[::-1], view) == expected


@pytest.mark.parametrize("view", [View(), View(sort="size"), View(sort="date", descending=True)])
def test_what_has_gone_when_it_is_looked_at_is_not_shown(view: View) -> None:
    there = {entry.name: entry for entry in ALL if entry != MID}
    folders, files = [OLD.name, NEW.name], [TWIN.name, MID.name, BIG.name]
    found = [entry for entry in arrange(folders, files, view, there.get) if entry]
    assert set(found) == {*ALL} - {MID}


def test_by_name_the_first_is_shown_before_the_next_is_looked_at() -> None:
    looked_at: list[bytes] = []

    def look(name: bytes) -> Entry:
        looked_at.append(name)
        return Entry(name, "file", 0, 0.0)

    steps = arrange([], [b"c", b"a", b"b"], View(), look)
    assert [next(steps), looked_at] == [Entry(b"a", "file", 0, 0.0), [b"a"]]
    steps = arrange([], [b"c", b"a", b"b"], View(descending=True), look)
    assert [next(steps), looked_at] == [Entry(b"c", "file", 0, 0.0), [b"a", b"c"]]


@pytest.mark.parametrize("descending", [False, True])
def test_what_has_no_time_counts_as_the_oldest(descending: bool) -> None:
    timeless = Entry(b"mounted", "folder", 0, math.nan)
    shown_first = arranged([NEW, timeless, OLD], View(sort="date", descending=descending))
    expected = [timeless, OLD, NEW]
    assert shown_first == (expected[::-1] if descending else expected)


@given(st.lists(st.tuples(NAMES, st.booleans()), unique_by=lambda pair: pair[0]))
def test_nothing_is_lost_and_names_stand_in_byte_order(pairs: list[tuple[bytes, bool]]) -> None:
    entries = [Entry(name, "folder" if is_folder else "file", 0, 0.0) for name, is_folder in pairs]
    found = arranged(entries, View())
    folders = [entry.name for entry in found if entry.kind == "folder"]
    files = [entry.name for entry in found if entry.kind == "file"]
    assert folders == sorted(name for name, is_folder in pairs if is_folder)
    assert files == sorted(name for name, is_folder in pairs if not is_folder)
    assert [entry.name for entry in found] == folders + files


@given(st.lists(st.text(min_size=1), min_size=2, unique=True))
def test_byte_order_is_the_order_of_code_points(names: list[str]) -> None:
    found = arranged_names([name.encode() for name in names], View())
    assert [name.decode() for name in found] == sorted(names)


@pytest.mark.parametrize(
    ("name", "wanted"),
    [
        ("Notes.TXT", "notes.txt"),
        ("STRASSE", "stra\u00dfe"),
        ("caf\u00e9", "cafe\u0301"),
        ("cafe\u0301", "CAF\u00c9"),
        ("\u03a3\u03a3", "\u03c3\u03c2"),
    ],
)
def test_the_filter_sees_through_case_and_unicode_form(name: str, wanted: str) -> None:
    assert arranged_names([name.encode()], View(filter=wanted)) == [name.encode()]


def test_the_filter_sees_what_the_page_shows_of_a_name_that_is_not_utf_8() -> None:
    names = [b"caf\xe9.txt", b"cafe.txt"]
    assert arranged_names(names, View(filter="f\ufffd.")) == names[:1]


@given(NAMES, st.booleans())
def test_a_reference_resolves_to_exactly_its_name(name: bytes, is_folder: bool) -> None:
    base = "https://depot.plant.example/a/b/?filter=x&sort=size"
    target = urljoin(base, reference(name, is_folder=is_folder))
    prefix = "https://depot.plant.example/a/b/"
    assert target.startswith(prefix)
    assert target.endswith("/") == is_folder
    assert unquote_to_bytes(target[len(prefix) :].rstrip("/")) == name


@pytest.mark.parametrize(
    ("name", "text"),
    [
        (b"plain", "plain"),
        (b"caf\xe9", "caf\ufffd"),
        (b"\x01\x7f\r\x0c\xc2\x85", "\ufffd" * 5),
        (b"tab\tline\n", "tab\tline\n"),
        ("\uffff\U0010ffff\ufdd0".encode(), "\ufffd" * 3),
        ("\u202e\U0001f6b0".encode(), "\u202e\U0001f6b0"),
    ],
)
def test_a_name_is_shown_as_any_page_can_hold_it(name: bytes, text: str) -> None:
    assert shown(name) == text


def test_crumbs_lead_from_the_root_down() -> None:
    assert crumbs(b"/") == [("Depot", "/")]
    assert crumbs(b"/a b/caf\xe9/", root="Held here") == [
        ("Held here", "/"),
        ("a b", "/a%20b/"),
        ("caf\ufffd", "/a%20b/caf%E9/"),
    ]


@pytest.mark.parametrize(
    ("mtime", "text"),
    [
        (0, "1970-01-01T00:00:00Z"),
        (1735689599.999, "2024-12-31T23:59:59Z"),
        (-0.5, "1969-12-31T23:59:59Z"),
        (-62135596800, "0001-01-01T00:00:00Z"),
        (253402300799, "9999-12-31T23:59:59Z"),
        (253402300800, None),
        (-62135596801, None),
        (1e300, None),
        (float("nan"), None),
        (float("inf"), None),
    ],
)
def test_times_are_rfc_3339_or_nothing(mtime: float, text: str | None) -> None:
    assert rfc3339(mtime) == text


def test_a_hundred_thousand_names_are_arranged_quickly() -> None:
    names = [quote(str(number * 7919 % 100_000)).encode() for number in range(100_000)]
    start = time.monotonic()
    assert arranged_names(names, View())[0] == b"0"
    assert len(arranged_names(names, View(filter="99"))) > 100
    assert time.monotonic() - start < 10  # measured: 0.6 s
