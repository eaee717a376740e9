"""Where the objects at one place say that files are, where it is clear which key says so."""

from __future__ import annotations

import posixpath
from typing import TYPE_CHECKING, Any

import attrs

from depotserve.tree.expectations.catalogs.columns import AmbiguousError, PathColumn, Table
from depotserve.tree.expectations.catalogs.vocabulary import Role

if TYPE_CHECKING:
    from collections.abc import Iterator

__all__ = ["Paths", "find_paths"]


@attrs.frozen
class Paths:
    """The path of each object's file, None where it names none."""

    keys: tuple[str, str]  # of the file and of its folder, "" if there is none
    paths: tuple[bytes | None, ...]
    role: Role
    likeness: float


def find_paths(table: Table, *, has_digests: bool) -> Paths | None:
    """Find the key, or keys, that say where files are; None without. Raises AmbiguousError."""
    by_role: dict[Role, list[PathColumn]] = {}
    for column in table.path_columns(_path_keys(table)):
        by_role.setdefault(column.role, []).append(column)
    names = [column for column in by_role.get(Role.NAME, []) if column.likeness >= 0.5]
    paths, folder = _apart(by_role.get(Role.PATH, []), names)
    urls = [column for column in by_role.get(Role.URL, []) if column.likeness >= 0.5]
    if not has_digests:
        paths = [column for column in paths if column.likeness >= 0.5]
    chosen = _one_of(paths, urls) or _one(names)
    return _joined(table, chosen, folder) if chosen else None


def _path_keys(table: Table) -> Iterator[str]:
    roles = (Role.PATH, Role.URL, Role.NAME)
    return (key for key in table.keys if table.role(key) in roles)


def _apart(
    paths: list[PathColumn], names: list[PathColumn]
) -> tuple[list[PathColumn], PathColumn | None]:
    """Tell paths of files from the paths of folders whose files are named beside them."""
    files = [column for column in paths if column.likeness >= 0.5]
    folders = [column for column in paths if column.likeness < 0.5]
    bare = [column for column in (files or names) if not _has_folders(column)]
    if len(folders) == 1 and len(bare) == 1 and not _agree(bare[0], folders[0]):
        return bare, folders[0]
    return files or folders, None


def _has_folders(column: PathColumn) -> bool:
    return any(b"/" in path for path in column.paths if path)


def _one_of(paths: list[PathColumn], urls: list[PathColumn]) -> PathColumn | None:
    """Choose the fullest of columns that agree; an address on a server only if there is no other.

    Raises AmbiguousError if they do not agree.
    """
    candidates = paths + [column for column in urls if not column.is_absolute]
    if not candidates:
        return _one(urls)
    fullest = max(candidates, key=lambda column: sum(len(path or b"") for path in column.paths))
    for column in candidates:
        if not _agree(column, fullest):
            names = f"`{column.key}` or `{fullest.key}`"
            raise AmbiguousError(f"whether {names} names the file is not clear")
    return fullest


def _agree(shorter: PathColumn, longer: PathColumn) -> bool:
    """Tell whether each path of the one is the end of the other's."""
    pairs = zip(shorter.paths, longer.paths)
    return all((b"/" + (b or b"")).endswith(b"/" + (a or b"").lstrip(b"./")) for a, b in pairs)


def _one(columns: list[PathColumn]) -> PathColumn | None:
    return _one_of(columns, []) if columns else None


def _joined(table: Table, file: PathColumn, folder: PathColumn | None) -> Paths:
    """Put the folder, if one is named beside the files or around them, before their names."""
    folders, key = _folders(table, folder)
    if folders is None and not _has_folders(file):
        folders, key = _nested(table, file)
    if folders is None or file.is_absolute:
        return Paths((file.key, ""), file.paths, file.role, file.likeness)
    if _has_folders(file):
        if all(_is_within(path, where) for path, where in zip(file.paths, folders)):
            return Paths((file.key, ""), file.paths, file.role, file.likeness)
        raise AmbiguousError(f"whether `{key}` belongs before `{file.key}` is not clear")
    paths = tuple(
        posixpath.join(where or b"", path) if path else None
        for path, where in zip(file.paths, folders)
    )
    return Paths((file.key, key), paths, file.role, file.likeness)


def _nested(table: Table, file: PathColumn) -> tuple[Any, str]:
    folders = table.nesting(file.key)
    return (folders, "the objects around it") if any(folders) else (None, "")


def _is_within(path: bytes | None, folder: bytes | None) -> bool:
    return not path or not folder or path.startswith(folder + b"/")


def _folders(table: Table, column: PathColumn | None) -> tuple[Any, str]:
    if column:
        return column.paths, column.key
    keys = [key for key in table.keys if table.role(key) is Role.FOLDER]
    found = [table.folder_column(key) for key in keys]
    if any(paths != found[0] for paths in found[1:]):
        names = ", ".join(f"`{key}`" for key in keys)
        raise AmbiguousError(f"which of {names} is the file's folder is not clear")
    if found:
        return found[0], keys[0]
    around = table.folders_around()
    return (around, "the object around it") if any(around) else (None, "")
