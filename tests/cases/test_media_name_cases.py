"""Case D06: names that NTFS, FAT32 and exFAT cannot hold."""

from __future__ import annotations

import pytest

from depotserve.tree.media_names import held_by_media

# The recipe, name by name, with what the reason must speak of.
IMPOSSIBLE = {
    "a:b.txt": "reserved",
    "CON": "device",
    "con.tar.gz": "device",
    "aux.c": "device",
    "COM¹": "device",
    "trail.": "dot",
    "trail ": "blank",
    "q?.txt": "reserved",
    "star*.bin": "reserved",
    "p|x": "reserved",
    "lt<x": "reserved",
    'dq".txt': "reserved",
    "back\\slash": "reserved",
    "tab\tx": "control",
    "/".join(["membranes"] * 27): "longer than 260",
}
HELD = ["console.txt", ".hidden", "a..b", "x.con", "/".join(["membranes"] * 26)]


@pytest.mark.parametrize(("name", "reason"), IMPOSSIBLE.items())
def test_d06_each_name_that_media_cannot_hold_is_found_with_its_reason(
    name: str, reason: str
) -> None:
    why = held_by_media(name.encode())
    assert why is not None
    assert reason in why


@pytest.mark.parametrize("name", HELD)
def test_d06_names_that_only_look_like_them_are_not_found(name: str) -> None:
    assert held_by_media(name.encode()) is None
