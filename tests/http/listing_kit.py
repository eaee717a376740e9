"""What tests of listings share: entries put in order as a depot does it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from depotserve.http.listing import Entry, View, arrange

if TYPE_CHECKING:
    from collections.abc import Iterable


def arranged(entries: Iterable[Entry], view: View) -> list[Entry]:
    """Give what a view shows of `entries`, in its order."""
    there = {entry.name: entry for entry in entries}
    folders = [entry.name for entry in there.values() if entry.kind == "folder"]
    files = [entry.name for entry in there.values() if entry.kind == "file"]
    return [entry for entry in arrange(folders, files, view, there.get) if entry is not None]


def arranged_names(names: Iterable[bytes], view: View) -> list[bytes]:
    """Give what a view shows of files that have nothing but names."""
    return [each.name for each in arranged([Entry(name, "file", 0, 0.0) for name in names], view)]
