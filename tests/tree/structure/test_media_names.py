"""Names that fall together, and names that media hold; D06's recipe is in tests/cases."""

from __future__ import annotations

import unicodedata

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from depotserve.tree.media_names import fall_together, folded, held_by_media


def test_the_reason_stands_in_words_for_each_name_of_a_path() -> None:
    assert held_by_media(b"docs/a:b.txt") == "a:b.txt has :, which is reserved"
    assert held_by_media(b"con/end./x") == (
        "con is the name of a device; end. ends with a dot, which is dropped"
    )
    assert held_by_media(b"a\tb") == "a\tb has the control character 0x09, which is reserved"


@pytest.mark.parametrize("path", [b"a/b\xff.txt", b"\xe9t\xe9", b"\xed\xa0\x80"])
def test_a_name_that_is_no_utf_8_cannot_be_held(path: bytes) -> None:
    assert "is no UTF-8" in (held_by_media(path) or "")


def test_the_length_of_a_name_counts_in_utf_16_units() -> None:
    # exFAT section 7.7.2: at most 255 Unicode characters, of 16 bits each.
    assert held_by_media(("ü" * 255).encode()) is None
    assert "longer than 255" in (held_by_media(("ü" * 256).encode()) or "")
    assert held_by_media(("😀" * 127).encode()) is None
    assert "longer than 255" in (held_by_media(("😀" * 128).encode()) or "")


@pytest.mark.parametrize(
    "word",
    [
        "CON",
        "prn",
        "Aux",
        "nul",
        *(f"{port}{n}" for port in ("com", "LPT") for n in "123456789¹²³"),
        "CONIN$",
        "conout$",
    ],
)
def test_each_name_of_a_device_is_found_with_any_extension_and_in_any_folder(word: str) -> None:
    for name in (word, f"{word}.txt", f"{word}.tar.gz", f"a/{word}", f"{word}/a", f"{word} .c"):
        assert "is the name of a device" in (held_by_media(name.encode()) or ""), name
    for name in (f"{word}x", f"x{word}", f"x.{word}", f"{word}-1.txt"):
        assert held_by_media(name.encode()) is None, name


@pytest.mark.parametrize("name", ["com0", "lpt", "com10", "company", "auxiliary.c", "null", "co.n"])
def test_names_that_are_nearly_those_of_devices_are_held(name: str) -> None:
    assert held_by_media(name.encode()) is None


def slowly_held(path: bytes) -> bool:
    """Tell by the rules one by one whether a path is held, with no short cut."""
    names = path.decode("utf-8", "replace").split("/")
    words = {"con", "prn", "aux", "nul", "conin$", "conout$"}
    words |= {port + n for port in ("com", "lpt") for n in "123456789¹²³"}
    units = len(path.decode("utf-8", "replace").encode("utf-16-le", "surrogatepass")) // 2
    return units <= 260 and all(
        not set(name) & {*'<>:"|?*\\', *map(chr, range(32))}
        and name == name.rstrip(". ")
        and name.split(".")[0].rstrip(" ").lower() not in words
        and len(name.encode("utf-16-le")) // 2 <= 255
        for name in names
    )


PIECES = ["con", "COM", "lpt", "1", "¹", ".", " ", "/", "a", "$", "in", "ü", ":", "\t", "x" * 99]


@given(st.lists(st.sampled_from(PIECES), max_size=8).map("".join))
@settings(max_examples=2000, deadline=None)
def test_the_short_cut_for_common_names_never_differs_from_the_rules(path: str) -> None:
    assert (held_by_media(path.encode()) is None) == slowly_held(path.encode())


@given(st.binary(max_size=300))
@settings(max_examples=1000, deadline=None)
def test_any_bytes_get_an_answer(path: bytes) -> None:
    why = held_by_media(path)
    assert why is None or why
    assert folded(folded(path)) == folded(path)


def test_names_in_another_case_or_form_fall_together() -> None:
    composed, apart = (unicodedata.normalize(form, "Wärme").encode() for form in ("NFC", "NFD"))
    names = [b"README", b"readme", b"ReadMe", b"other", composed, apart, b"\xff", b"\xfe"]
    assert list(fall_together(names)) == [
        (b"README", b"ReadMe", b"readme"),
        tuple(sorted((composed, apart))),
    ]


def test_names_that_stay_apart_do_not_fall_together() -> None:
    assert list(fall_together([b"a", b"b", "ä".encode(), b"\xe4", b"A1"])) == []


@given(st.text(st.characters(exclude_categories=["Cs"]), max_size=20))
@settings(max_examples=1000, deadline=None)
def test_a_folded_name_is_the_same_for_every_case_and_form(name: str) -> None:
    for form in ("NFC", "NFD"):
        assert folded(unicodedata.normalize(form, name).encode()) == folded(name.encode())
    assert folded(name.casefold().encode()) == folded(name.encode())
