"""A folder of the inventory, as it is held at hand."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

from depotserve.tree.entry import Kind

if TYPE_CHECKING:
    from collections.abc import Collection, Iterator

    from depotserve.tree.walk import State

__all__ = ["FILE", "Held", "make_room", "split"]

FILE = int(Kind.FILE)


class Held(NamedTuple):
    """A folder, the states of what lies in it by name, and facts of its files."""

    path: bytes
    states: dict[bytes, State]  # in the byte order of names
    facts: dict[str, dict[bytes, bytes]]  # digests by their algorithm, and others; by name

    @property
    def prefix(self) -> bytes:
        """Give what stands before the names of its entries in their paths."""
        return self.path + b"/" if self.path else b""

    def files(self) -> Iterator[bytes]:
        """Give the names of its files."""
        return (name for name, state in self.states.items() if state[0] == FILE)

    def is_file(self, name: bytes) -> bool:
        """Tell whether a file of that name is there."""
        return name in self.states and self.states[name][0] == FILE

    def digest(self, name: bytes, algorithm: str | None) -> bytes | None:
        """Give a digest of a file, if it is known."""
        known = self.facts.get(algorithm or "")
        return known.get(name) if known else None

    def facts_of(self, name: bytes) -> dict[str, bytes]:
        """Give all that is known of a file."""
        return {fact: values[name] for fact, values in self.facts.items() if name in values}


def make_room(near: Collection[bytes], path: bytes, most: int) -> bytes | None:
    """Name the folder that goes when that at `path` comes near; None if there is room.

    One that `path` lies in stays: who goes through a tree in the order of whole paths comes back to
    it, between any two folders within it.
    """
    if len(near) < most:
        return None
    others = [one for one in near if one and not path.startswith(one + b"/")]
    return others[0] if len(others) >= most else None


def split(path: bytes) -> tuple[bytes, bytes]:
    """Give the folder of a path, `b""` for the root, and the name in it."""
    folder, _, name = path.rpartition(b"/")
    return folder, name
