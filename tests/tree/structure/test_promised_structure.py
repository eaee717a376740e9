"""Names that say archive, and what lies under them; with case D03 of a login page in its place."""

from __future__ import annotations

import random

import pytest
from archives_kit import look

PAGE = b"<!DOCTYPE html>\n<html><head><title>Sign in</title></head><body></body></html>\n"
NAMES = [
    b"a.zip",
    b"a.jar",
    b"a.tar",
    b"a.ova",
    b"a.gz",
    b"a.tar.gz",
    b"A.TGZ",
    b"a.xz",
    b"a.bz2",
    b"a.zst",
    b"a.iso",
    b"a.rpm",
    b"a.deb",
    b"a.7z",
    b"a.cab",
]
NOISE = b"\x99" + random.Random(3).randbytes(70000)  # noqa: S311  # the same in each run


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize(
    ("content", "word"),
    [
        (PAGE, "HTML"),
        (b"\xef\xbb\xbf\r\n  <HTML lang=en>" + b"x" * 90000, "HTML"),
        (b"<?xml version='1.0'?><Error><Code>AccessDenied</Code></Error>", "XML"),
        (b'{"error": "the session has ended"}', "JSON"),
        (b"Error 503: try again later\n", "text"),
        ("Bitte später erneut versuchen".encode(), "text"),
        (bytes(200000), "zeros"),
    ],
)
def test_what_came_instead_of_an_archive_is_named(name: bytes, content: bytes, word: str) -> None:
    suffix = name.decode().lower().rsplit(".", 1)[1]
    assert look(content, name).wrong == (
        f"named .{suffix}, but it is no {suffix} (begins with {word})"
    )


@pytest.mark.parametrize("name", NAMES)
def test_an_empty_file_named_as_an_archive_is_wrong(name: bytes) -> None:
    assert "but it is empty" in (look(b"", name).wrong or "")


@pytest.mark.parametrize("name", NAMES)
def test_a_format_that_nobody_here_knows_is_not_called_wrong(name: bytes) -> None:
    # Vendors wrap, sign and encrypt what they ship and leave the name as it was.
    found = look(NOISE, name)
    assert found.wrong is None
    assert "does not begin like one" in (found.unwalked or "")


@pytest.mark.parametrize(
    "name",
    [
        b"a",
        b"a.bin",
        b"a.html",
        b"zip",
        b"a.zip.txt",
        b"a.gz.sha256",
        b".iso",
        b"a.isolated",
        b"a.",
    ],
)
def test_a_name_that_promises_nothing_is_held_to_nothing(name: bytes) -> None:
    for content in (PAGE, NOISE, bytes(70000)):
        found = look(content, b"folder.zip/" + name)
        assert (found.kind, found.wrong, found.unwalked) == (None, None, None)
    assert look(b"", b"readme").wrong is None
