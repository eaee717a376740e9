"""What supervisor and worker say to each other, over a pair of sockets made before the fork."""

from __future__ import annotations

import enum
import json
import pickle
import struct
from contextlib import suppress
from typing import TYPE_CHECKING, Union

import attrs

if TYPE_CHECKING:
    import asyncio
    import socket

    from depotserve.process.snapshot import Snapshot

__all__ = ["Channel", "Message", "Order", "Report", "Update", "read_message", "report"]

_HEAD = struct.Struct("!I")  # bytes of the pickle that follows
_MOST_MESSAGE = 256 << 20  # bytes; the largest users file makes a quarter
_MOST_REPORT = 16384  # bytes of one line of JSON
_MOST_FAILURE = 1000  # characters


class Order(enum.Enum):
    """What a worker is told to do."""

    REOPEN = "open the access log anew"
    DRAIN = "accept nothing more, finish what is under way, end"
    END = "end at once"


@attrs.frozen
class Update:
    """A new snapshot for a worker, with its number in the order of time."""

    number: int
    snapshot: Snapshot


@attrs.frozen
class Report:
    """What a worker says: which update it serves by, or why it cannot begin."""

    serving: int = -1
    failure: str = ""

    def line(self) -> bytes:
        """Give the report as it goes over the channel: one line of JSON."""
        failure = self.failure[:_MOST_FAILURE]
        return json.dumps({"serving": self.serving, "failure": failure}).encode() + b"\n"


Message = Union[Order, Update]


class Channel:
    """The supervisor's end: never waits for a worker, however stuck that one is."""

    def __init__(self, end: socket.socket) -> None:
        """Take one end of a pair of stream sockets."""
        end.settimeout(0)
        self._end = end
        self._out = bytearray()
        self._in = bytearray()
        self.is_open = True

    def fileno(self) -> int:
        """Give the descriptor, for a poll."""
        return self._end.fileno()

    @property
    def is_waiting(self) -> bool:
        """Tell whether something is left to send."""
        return self.is_open and bool(self._out)

    def send(self, message: Message) -> None:
        """Send a message, now or when `flush` is called later."""
        content = pickle.dumps(message)
        self._out += _HEAD.pack(len(content)) + content
        self.flush()

    def flush(self) -> None:
        """Send what the worker takes now of what is left."""
        try:
            while self._out and self.is_open:
                del self._out[: self._end.send(self._out)]
        except BlockingIOError:
            pass
        except OSError:
            self.close()

    def receive(self) -> list[Report]:
        """Give the reports that have come; a line that is none closes the channel."""
        with suppress(BlockingIOError):
            try:
                content = self._end.recv(_MOST_REPORT)
            except ConnectionError:
                content = b""
            self._in += content
            if not content or len(self._in) > _MOST_REPORT:
                self.close()
        *lines, rest = self._in.split(b"\n")
        self._in = bytearray(rest)
        return [_parse_report(line) for line in lines]

    def close(self) -> None:
        """Close the end; the worker takes that as the supervisor's death."""
        self.is_open = False
        self._end.close()


def report(end: socket.socket, what: Report) -> None:
    """Send a report from a worker; a supervisor that is gone is found out elsewhere."""
    with suppress(OSError):
        end.sendall(what.line())


async def read_message(reader: asyncio.StreamReader) -> Message | None:
    """Give the next message to a worker, or nothing when the supervisor is gone."""
    try:
        (length,) = _HEAD.unpack(await reader.readexactly(_HEAD.size))
        if length > _MOST_MESSAGE:
            return None
        content = await reader.readexactly(length)
    except (EOFError, ConnectionError):
        return None
    # The other end is the process that this one was forked from.
    message: Message = pickle.loads(content)  # noqa: S301
    return message


def _parse_report(line: bytearray) -> Report:
    try:
        return Report(**json.loads(line))
    except (ValueError, TypeError):
        return Report(failure="a worker's report cannot be read")
