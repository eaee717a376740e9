"""One request and what becomes of it: the values that the steps of its way hand on."""

from __future__ import annotations

import os
from collections.abc import AsyncGenerator, Awaitable
from typing import TYPE_CHECKING, Callable, Optional, Union

import attrs

from .target import Target

if TYPE_CHECKING:
    from multidict import CIMultiDictProxy

    from depotserve.config import Listener

    from .content import Tree
    from .ranges import Span

__all__ = ["Answer", "Exchange", "FileBody", "Step", "Stream"]

_ROOT = Target((), folder=True, query=b"")


@attrs.define(slots=True, eq=False)
class FileBody:
    """Parts of one open file, between bytes of our own; `close` closes the file."""

    descriptor: int
    status: os.stat_result  # as the file was when it was opened
    parts: tuple[bytes | Span, ...]
    length: int  # of all parts together, in bytes

    def close(self) -> None:
        """Close the file; a second call does nothing."""
        if self.descriptor >= 0:
            os.close(self.descriptor)
            self.descriptor = -1


@attrs.frozen(slots=True, eq=False)
class Stream:
    """A body whose length is not known when it begins."""

    pieces: AsyncGenerator[bytes, None]
    close: Callable[[], None]  # gives back what the pieces are made from

    async def release(self) -> None:
        """End the making of pieces, and give back what they are made from."""
        await self.pieces.aclose()
        self.close()


@attrs.define(slots=True, eq=False)
class Answer:
    """What a request gets: a status, fields, and a body."""

    status: int
    headers: list[tuple[str, str]]
    body: bytes | FileBody | Stream = b""
    close: bool = False  # the connection ends after this answer


@attrs.define(slots=True, eq=False)
class Exchange:
    """A request as it came, then what each step found out about it."""

    method: str
    raw_target: bytes
    version: tuple[int, int]
    headers: CIMultiDictProxy[str]
    raw_headers: tuple[tuple[bytes, bytes], ...]
    head_size: int  # bytes
    listener: Listener
    address: str  # of the client: the peer, or what a trusted proxy says
    started: float  # monotonic seconds
    keep_alive: bool
    target: Target = _ROOT
    user: str = ""
    previous: bool = False  # signed in with a passphrase that ends soon
    sent: int = 0  # bytes of the body that left
    outcome: str = "cut"
    tree: Tree | None = None  # that the target lies in
    names: tuple[bytes, ...] = ()  # the path beneath the root of `tree`


# Answers, or does its part and lets the next step on (None); one that must wait gives a coroutine.
Step = Callable[[Exchange], Union[Answer, Awaitable[Optional[Answer]], None]]
