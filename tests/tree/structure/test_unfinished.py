"""Names of unfinished downloads."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from depotserve.tree.unfinished import unfinished


@pytest.mark.parametrize(
    "name",
    [
        b"x.iso.part",
        b"x.iso.partial",
        b"x.crdownload",
        b"x.iso.download",
        b"x.iso.aria2",
        b"x.filepart",
        b"x.iso.!ut",
        b"x.iso.!qB",
        b"x.iso.bc!",
        b"x.iso.tmp",
        b".x.iso.a1B2c3",
        b".x.iso.xKdOeq",
        b"X.ISO.PART",
        b"\xff.part",
        b"a\nb.part",
    ],
)
def test_what_clients_name_unfinished_downloads_is_found(name: bytes) -> None:
    assert [found for found, _ in unfinished({name, b"other"})] == [name]


@pytest.mark.parametrize(
    "name",
    [
        b"x.iso",
        b"part",
        b".part",
        b"x.part1.rar",
        b"x.parts",
        b"download",
        b"x.iso~",
        b"depart",
        b"x.iso.part.sha256",
        b"x.tmp",
        b"x.iso.tmpl",
        b".config.backup",
        b".config.Backup",
        b".x.SHA256",
        b"x.iso.a1B2c3",
        b"x.iso.part1",
        b"partial.zip",
    ],
)
def test_other_names_are_not(name: bytes) -> None:
    assert list(unfinished({name})) == []


def test_the_reason_names_the_download() -> None:
    assert list(unfinished({b"x.iso.part"})) == [
        (b"x.iso.part", "the name of an unfinished download of x.iso")
    ]


def test_a_part_beside_the_final_name_is_found_alone() -> None:
    assert list(unfinished({b"x.iso", b"x.iso.part"})) == [
        (b"x.iso.part", "the name of an unfinished download of x.iso, which lies beside it")
    ]


def test_a_control_file_says_that_the_file_beside_it_is_unfinished() -> None:
    assert list(unfinished({b"x.iso", b"x.iso.aria2", b"y.iso"})) == [
        (b"x.iso", "x.iso.aria2 beside it says that its download goes on"),
        (
            b"x.iso.aria2",
            "the name of an unfinished download of x.iso, which lies beside it",
        ),
    ]


@given(st.sets(st.binary(min_size=1, max_size=20)))
@settings(max_examples=500, deadline=None)
def test_whatever_the_names_each_that_is_found_is_one_of_them_and_comes_once(
    names: set[bytes],
) -> None:
    found = [name for name, _ in unfinished(names)]
    assert set(found) <= names
    assert found == sorted(set(found))
