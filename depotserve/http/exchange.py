"""One request and what becomes of it: the values that the steps of its way hand on."""

from __future__ import annotations

import os
from collections.abc import AsyncGenerator, Awaitable
from typing import TYPE_CHECKING, Callable

import attrs

from .target import Target

if TYPE_CHECKING:
    from multidict import CIMultiDictProxy

    from depotserve.config import Listener

    from .content import Tree
    from .ranges import Span

__all__ = ["Answer", "Exchange", "FileBody", "Handler", "Step", "Stream"]

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


@attrs.define(slots=True, eq=False)
class Answer:
    """What a request gets: a status, fields, and a body."""

    status: int
    headers: list[tuple[str, str]]
    body: bytes | FileBody | Stream = b""
    close: bool = False  # the connection ends after this answer

    async def release(self) -> None:
        """Give back what the body holds, whether it was sent or not."""
        if isinstance(self.body, FileBody):
            self.body.close()
        elif isinstance(self.body, Stream):
            await self.body.pieces.aclose()
            self.body.close()


@attrs.define(slots=True, eq=False)
class Exchange:
    """A request as it came, then what each step found out about it."""

    method: str
    raw_target: bytes
    version: tuple[int, int]
    headers: CIMultiDictProxy[str]
    raw_headers: tuple[tuple[bytes, bytes], ...]
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


Handler = Callable[[Exchange], Awaitable[Answer]]
Step = Callable[[Handler], Handler]  # does its part, before or after the step that follows
