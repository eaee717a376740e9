"""Whose turn it is: things that wait, taken in turn by address and, within it, by name."""

from __future__ import annotations

from collections import OrderedDict, deque
from typing import Generic, TypeVar

__all__ = ["Rota"]

T = TypeVar("T")


class Rota(Generic[T]):
    """Waiting things by network and name. However many one puts in, another waits one turn."""

    def __init__(self) -> None:
        self._lines: OrderedDict[str, OrderedDict[str, deque[T]]] = OrderedDict()
        self._length = 0

    def __len__(self) -> int:
        """Count what waits."""
        return self._length

    def put(self, network: str, name: str, thing: T) -> None:
        """Let a thing wait behind those of its network and name."""
        self._lines.setdefault(network, OrderedDict()).setdefault(name, deque()).append(thing)
        self._length += 1

    def take(self) -> T:
        """Take the thing whose turn it is. Raises IndexError if none waits."""
        if not self._lines:
            raise IndexError("nothing waits")
        network, names = next(iter(self._lines.items()))
        name, line = next(iter(names.items()))
        thing = line.popleft()
        names.move_to_end(name)
        self._lines.move_to_end(network)
        self._tidy(network, name)
        return thing

    def yield_to(self, network: str, name: str) -> T | None:
        """Take out the newest thing of who has most waiting, if that is more than the named has.

        Networks are compared first, then the names of the network that has most.
        """
        crowded = max(self._lines, key=self._count, default=network)
        if crowded != network and self._count(crowded) <= self._count(network) + 1:
            return None
        names = self._lines.get(crowded, OrderedDict())
        longest = max(names, key=lambda each: len(names[each]), default=name)
        if crowded == network and len(names[longest]) <= len(names.get(name, ())) + 1:
            return None
        thing = names[longest].pop()
        self._tidy(crowded, longest)
        return thing

    def _count(self, network: str) -> int:
        return sum(len(line) for line in self._lines.get(network, {}).values())

    def _tidy(self, network: str, name: str) -> None:
        self._length -= 1
        names = self._lines[network]
        if not names[name]:
            del names[name]
        if not names:
            del self._lines[network]
