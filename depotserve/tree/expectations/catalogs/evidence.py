"""The facts that the objects at one place state: sizes and digests, where it is clear which."""

from __future__ import annotations

import attrs

from depotserve.tree.expectations.catalogs.columns import (
    AmbiguousError,
    DigestColumn,
    FactColumn,
    Table,
)
from depotserve.tree.expectations.catalogs.vocabulary import Role

__all__ = ["Facts", "find_facts", "names_files"]


@attrs.frozen
class Facts:
    """Sizes and digests."""

    size: FactColumn | None
    digests: tuple[DigestColumn, ...]

    def has(self, index: int) -> bool:
        """Tell whether an object states any fact, be it a wrong one."""
        if self.size and (self.size.sizes[index] is not None or index in self.size.wrong):
            return True
        return any(column.claims[index] for column in self.digests)


def find_facts(table: Table) -> Facts | None:
    """Find keys of sizes and digests; None without any. Raises AmbiguousError."""
    roles = {key: table.role(key) for key in table.keys}
    digests = _digest_columns(table, [key for key, one in roles.items() if one is Role.DIGEST])
    size = _size_column(table, roles, vouched=bool(digests))
    return Facts(size, digests) if size or digests else None


def _digest_columns(table: Table, keys: list[str]) -> tuple[DigestColumn, ...]:
    columns = [table.digests(key) for key in keys]
    for column in columns:
        if 0 < column.good < column.wrong:
            raise AmbiguousError(f"most digests under `{column.key}` are none of their kind")
    return tuple(column for column in columns if column.good)


def _size_column(table: Table, roles: dict[str, Role], *, vouched: bool) -> FactColumn | None:
    columns = [table.sizes(key) for key, one in roles.items() if one is Role.SIZE]
    for column in columns:
        if 0 < column.there - len(column.wrong) < len(column.wrong):
            raise AmbiguousError(f"most sizes under `{column.key}` are no whole numbers")
    usable = [column for column in columns if column.there > len(column.wrong)]
    if not usable:
        return None
    others = [key for key, one in roles.items() if one is Role.OTHER_SIZE]
    different = [column.key for column in usable[1:] if column.sizes != usable[0].sizes]
    if (others or different) and (vouched or (len(table.things) > 1 and names_files(table))):
        names = ", ".join(f"`{key}`" for key in (usable[0].key, *different, *others))
        raise AmbiguousError(f"which of {names} is the file's size is not clear")
    return None if others or different else usable[0]


def names_files(table: Table, *roles: Role) -> bool:
    """Tell whether keys of these roles, or of paths, hold what mostly ends as files' names do."""
    keys = [key for key in table.keys if table.role(key) in (roles or (Role.PATH,))]
    return any(column.likeness >= 0.5 for column in table.path_columns(keys))
