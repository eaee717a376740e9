"""One request and its answer, and how the answer's body is taken in."""

from __future__ import annotations

from typing import TYPE_CHECKING, Callable

import attrs

from depotserve.probe import troubles
from depotserve.probe.message import Framing, Head
from depotserve.probe.source import CutShortError

if TYPE_CHECKING:
    from depotserve.probe.source import Source

__all__ = ["KEPT", "Answer", "Body", "Request", "Taker", "up_to"]

Taker = Callable[[Head, bytes], bool]

KEPT = 8 << 20  # bytes of a body that are kept; a listing of 100,000 names has about as many


@attrs.frozen(kw_only=True)
class Request:
    """One request; `seconds` is for all of it, and a body that takes longer is not read on."""

    method: str = "GET"
    target: str
    fields: tuple[tuple[str, str], ...] = ()
    authorization: str = attrs.field(default="", repr=False)
    seconds: float
    # Gets head and piece, and says whether to read on; without one, the first 8 MiB are kept.
    take: Taker | None = None
    most: int | None = None  # of these, as many, and if time is over what came is enough


@attrs.frozen
class Answer:
    """One answer; `body` is what was kept of it, `size` what came of it."""

    head: Head
    body: bytes
    size: int
    is_whole: bool  # False: not read to its end, for its length or for time
    seconds: float  # until the head was there

    @property
    def status(self) -> int:
        """Give the status code."""
        return self.head.status


def up_to(most: int) -> Taker:
    """Make a taker that keeps nothing and reads at most about that many bytes."""
    size = 0

    def take(_head: Head, piece: bytes) -> bool:
        nonlocal size
        size += len(piece)
        return size < most

    return take


class Body:
    """The body of one answer as it is read."""

    def __init__(self, request: Request, head: Head) -> None:
        """Take what was asked and the head; raise BadMessageError if its length is unclear."""
        self._request, self._head = request, head
        self._framing = head.framing(request.method)
        self._length = head.length if self._framing is Framing.LENGTH else None
        self.ends_by_close = self._framing is Framing.CLOSE
        self.kept = bytearray()
        self.size = 0

    def read(self, source: Source) -> bool:
        """Read the body; tell whether to its end. Raise Trouble if it is cut short."""
        try:
            for piece in source.body(self._framing, self._length):
                self.size += len(piece)
                if not self._take(piece):
                    return False
        except TimeoutError:
            if not (self._request.take or self._request.most) or not self.size:
                raise
            return False
        except (OSError, CutShortError):
            raise troubles.cut_short(self._request.target, self._how_far()) from None
        return True

    def _take(self, piece: bytes) -> bool:
        if self._request.take is not None:
            return self._request.take(self._head, piece)
        self.kept += piece
        return len(self.kept) < (self._request.most or KEPT)

    def _how_far(self) -> str:
        whole = "an unknown number of" if self._length is None else str(self._length)
        return f"{self.size} of {whole} bytes came"
