"""Every row of repository_lists.json: what a Release file and a Metalink give, line by line."""

from __future__ import annotations

import base64
import io
from typing import TYPE_CHECKING, Any

import pytest
import vector_rows

from depotserve.tree.expectations.indexes import debian, metalink
from depotserve.tree.expectations.listed import Item, Listed, Place, UnusableError

if TYPE_CHECKING:
    from depotserve.tree.expectations.listed import Dialect

ROWS = vector_rows.load("repository_lists")
DIALECTS: dict[str, Dialect] = {
    "deb822-release": debian.RELEASE,
    "metalink4": metalink.METALINK,
}


def read(row: dict[str, Any]) -> list[Item]:
    """Read a row's list; one of which nothing can be used ends so."""
    content = base64.b64decode(row["text_base64"])
    items: list[Item] = []
    try:
        for item in DIALECTS[row["dialect"]].read(
            io.BytesIO(content), Place(row["file_name"].encode())
        ):
            items.append(item)  # noqa: PERF402  # what came before the end counts
    except UnusableError:
        assert row["entries"] == []
    return items


@pytest.mark.parametrize("row", ROWS, ids=lambda row: row["id"])
def test_a_list_gives_the_entries_of_the_standard(row: dict[str, Any]) -> None:
    items = read(row)
    assert [item for item in items if isinstance(item, Listed)] == [
        Listed(
            bytes.fromhex(entry["path_hex"]),
            entry["line"],
            entry["size"],
            ((entry["algorithm"], bytes.fromhex(entry["digest"])),),
            bytes.fromhex(entry["path_hex"]) if row["dialect"] == "deb822-release" else b"",
        )
        for entry in row["entries"]
    ]
    rejected = [item.line for item in items if not isinstance(item, Listed)]
    assert rejected == row["rejected_lines"]


def test_no_row_was_dropped() -> None:
    assert [row["id"] for row in ROWS] == ["c069", "c071"]
