"""Rows of checksum_lists.json; each names its source, and many what GNU coreutils 9.1 did.

Rows of the dialects deb822-release and metalink4 (c069 to c071) are tested beside their readers.
"""

from __future__ import annotations

import base64
import io
import posixpath
from typing import Any, NamedTuple

import pytest
import vector_rows

from depotserve.tree.expectations.listed import Listed, Place, Unreadable, UnusableError
from depotserve.tree.expectations.lists import bag, checksum_lines

ELSEWHERE = {"deb822-release", "metalink4"}
ROWS = [row for row in vector_rows.load("checksum_lists") if row["dialect"] not in ELSEWHERE]
FILES = {
    bytes.fromhex(file["path_hex"]): file["content"].encode()
    for file in vector_rows.load_part("checksum_lists", "fixture_files")
}
DECLARATION = b"BagIt-Version: %b\nTag-File-Character-Encoding: UTF-8\n"

# What we answer to rows of the level CHOICE, where it is not what stands in the row.
TAKEN = {
    # The row: "taking it is harmless". named() knows algorithms however they are spelled.
    "c026": [(1, "sha256", b"plain.txt")],
    # The row counts both records as line 1; we number the records.
    "c058": [(1, "sha256", b"nl\nname.txt"), (2, "sha256", b"back\\slash.txt")],
}
REFUSED = {
    "c026": [],
    # The row: "report, do not silently check plain.txt"; the file that it names is checked too.
    "c065": [1],
    # RFC 8493 section 6.1.3: it may be taken, and a warning must be given.
    "c081": [1],
}
# RFC 8493 section 2.1.3 makes the whole manifest of c089 invalid. It is read as a stream, so that
# its first line has been listed when the second shows it.
FIRST_LISTED = {"c089": [(1, "sha256", b"data/plain.txt")]}


class Outcome(NamedTuple):
    """What a list gave, and why it is of no use; empty if it is."""

    listed: list[Listed]
    refused: list[Unreadable]
    unusable: str


def read(row: dict[str, Any]) -> Outcome:
    """Read a row's list as one that lies in a folder with the row's files."""
    name = row["file_name"].split(" ")[0].encode()
    module = bag if row["dialect"].startswith("bagit") else checksum_lines
    dialect = module.dialect_of(name)
    assert dialect is not None
    beside = dict(FILES)
    if module is bag:
        beside[b"bagit.txt"] = DECLARATION % (b"0.97" if "0.97" in row["file_name"] else b"1.0")
    stream = io.BytesIO(base64.b64decode(row["text_base64"]))
    listed, refused = [], []
    try:
        for item in dialect.read(stream, Place(b"depth/" + name, beside.get)):
            if isinstance(item, Listed):
                listed.append(item)
            else:
                refused.append(item)
    except UnusableError as error:
        return Outcome(listed, refused, str(error))
    return Outcome(listed, refused, "")


def algorithm_and_path(row: dict[str, Any]) -> list[tuple[int, str | None, bytes]]:
    expected = TAKEN.get(row["id"], FIRST_LISTED.get(row["id"]))
    if expected is not None:
        return expected
    return [(entry["line"], entry.get("algorithm"), path_of(entry)) for entry in row["entries"]]


def path_of(entry: dict[str, Any]) -> bytes:
    # A file that has no entry of its own in the fixture is named by its text alone.
    return bytes.fromhex(entry["path_hex"]) if "path_hex" in entry else entry["path"].encode()


@pytest.mark.parametrize("row", ROWS, ids=lambda row: row["id"])
def test_a_list_is_read_as_its_row_says(row: dict[str, Any]) -> None:
    found = read(row)
    shown = [
        (one.line, one.digests[0][0] if one.digests else None, one.path) for one in found.listed
    ]
    # c082: `./` stays as the list has it, and names the same file.
    shown = [(line, name, posixpath.normpath(path)) for line, name, path in shown]
    assert shown == [
        (line, name, posixpath.normpath(path)) for line, name, path in algorithm_and_path(row)
    ]
    assert [one.line for one in found.refused] == REFUSED.get(row["id"], row["rejected_lines"])
    assert all(one.why for one in found.refused)


AS_THEY_STAND = [row for row in ROWS if row["id"] not in {"c026", "c089"}]


@pytest.mark.parametrize("row", AS_THEY_STAND, ids=lambda row: row["id"])
def test_digests_and_sizes_are_those_of_the_row(row: dict[str, Any]) -> None:
    found = read(row).listed
    expected = [entry.get("digest") for entry in row["entries"]]
    assert [one.digests[0][1].hex() if one.digests else None for one in found] == expected
    assert [one.size for one in found] == [entry.get("length") for entry in row["entries"]]


@pytest.mark.parametrize("row", ROWS, ids=lambda row: row["id"])
def test_a_list_without_one_line_that_could_be_read_is_said_to_be_unusable(
    row: dict[str, Any],
) -> None:
    found = read(row)
    assert bool(found.unusable) is not bool(found.listed)


def test_every_row_of_our_dialects_is_here() -> None:
    dialects = {row["dialect"] for row in ROWS}
    assert dialects == {
        *("gnu", "bsd-tag", "gnu-zero", "single", "clearsigned", "bagit", "bagit-fetch"),
    }
    choices = {row["id"] for row in ROWS if row["level"] == "CHOICE"}
    assert {*TAKEN, *REFUSED} <= choices
