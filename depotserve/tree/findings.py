"""What was found in one run, kept in its database; and what a person has accepted of it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from depotserve.tree.database import define, insert_rows
from depotserve.tree.finding import Finding, Kind, Noted

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from depotserve.tree.inventory import Inventory

__all__ = ["Findings"]

_KINDS = tuple(Kind)
_PLACES = {kind: place for place, kind in enumerate(_KINDS)}
_SCHEMA = """
CREATE TABLE findings (kind INTEGER, path BLOB, detail TEXT, line INTEGER, rule INTEGER);
CREATE TABLE judged (path BLOB PRIMARY KEY) WITHOUT ROWID;
"""
# Findings that say of a file's content that it is wrong: nothing more has to be said of it.
_JUDGED = frozenset(
    (
        Kind.SIZE,
        Kind.DIGEST,
        Kind.EMPTY,
        Kind.UNFINISHED,
        Kind.CHANGED,
        Kind.UNREADABLE,
        Kind.CUT_SHORT,
    )
)


class Findings:
    """All findings, worst first, then by path."""

    def __init__(self, inventory: Inventory) -> None:
        self._database = inventory.database
        define(self._database, _SCHEMA)

    def note(self, found: Iterable[Finding]) -> None:
        """Note findings."""
        insert_rows(self._database, "findings", 5, self._rows(found))

    def _rows(self, found: Iterable[Finding]) -> Iterator[tuple[object, ...]]:
        for kind, path, detail, line in found:
            if kind in _JUDGED:
                self._database.execute("INSERT OR IGNORE INTO judged VALUES (?)", (path,))
            yield _PLACES[kind], path, detail.encode("utf-8", "surrogateescape"), line, None

    def withdraw(self, kind: Kind, paths: Iterable[bytes]) -> None:
        """Forget the findings of a kind about some paths."""
        rows = [(_PLACES[kind], path) for path in paths]
        self._database.executemany("DELETE FROM findings WHERE kind = ? AND path = ?", rows)

    def is_judged(self, path: bytes) -> bool:
        """Tell whether a file's content has been found wrong."""
        query = "SELECT 1 FROM judged WHERE path = ?"
        return self._database.execute(query, (path,)).fetchone() is not None

    def in_order(self, kinds: Iterable[Kind] = _KINDS) -> Iterator[Noted]:
        """Give all findings, or those of some kinds."""
        places = ", ".join(str(_PLACES[kind]) for kind in kinds)
        rows = self._database.execute(
            "SELECT kind, path, detail, line, rule FROM findings "
            f"WHERE kind IN ({places}) ORDER BY kind, path, line"
        )
        for kind, path, detail, line, rule in rows:
            text = detail.decode("utf-8", "surrogateescape")
            yield Noted(Finding(_KINDS[kind], path, text, line), rule)

    def counts(self) -> dict[Kind, tuple[int, int]]:
        """Count, for each kind that was found, all findings and those that were accepted."""
        rows = self._database.execute(
            "SELECT kind, count(*), count(rule) FROM findings GROUP BY kind ORDER BY kind"
        )
        return {_KINDS[kind]: (count, accepted) for kind, count, accepted in rows}

    def accept(self, rule: int, kind: Kind, fits: Iterable[bytes]) -> int:
        """Let a rule accept the findings of a kind about some paths; give how many there are."""
        # A rule may fit a hundred thousand findings, each of which is to be found.
        self._database.execute("CREATE INDEX IF NOT EXISTS finding ON findings (kind, path)")
        before = self._database.total_changes
        self._database.executemany(
            "UPDATE findings SET rule = ? WHERE kind = ? AND path = ? AND rule IS NULL",
            ((rule, _PLACES[kind], path) for path in fits),
        )
        return self._database.total_changes - before

    def paths(self, kind: Kind) -> list[bytes]:
        """Give the paths of the findings of a kind that nothing accepts, in order."""
        rows = self._database.execute(
            "SELECT DISTINCT path FROM findings WHERE kind = ? AND rule IS NULL ORDER BY path",
            (_PLACES[kind],),
        )
        return [path for (path,) in rows]
