"""The end of a TCP connection from this side by which the client loses no byte.

A socket that is closed while the client still sends makes the kernel reset the connection, and
what the client has not read yet may be lost with it (RFC 9112 §9.6). So the writing side is ended
first, and the connection is read on.
"""

from __future__ import annotations

import asyncio
import fcntl
import struct
import termios
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import socket

__all__ = ["Lingering", "bytes_unconfirmed"]

# Seconds between two looks at what the client has confirmed; it is let go at the first look that
# finds all confirmed as the look before it did, and after so many that found nothing new.
_PAUSE, _LOOKS = 2.0, 15


class Lingering:
    """One connection's end.

    Made by the protocol of a socket's transport, `wire`, when it has written its last byte. From
    `begin` on that protocol drops what it receives, lets the transport close when the client ends
    its side (a false answer from `eof_received`), and calls `stop` in its `connection_lost`. What
    was written may still wait in the transport; nothing may be written any more.
    """

    __slots__ = ("_timer", "_wire")

    def __init__(self, wire: asyncio.Transport) -> None:
        self._wire = wire
        self._timer: asyncio.TimerHandle | None = None

    def begin(self, *, half_closed: bool) -> None:
        """End the writing side once it is empty, and read until the client ends or is let go.

        It is let go 2 s after it has confirmed all, and after 30 s in which it took nothing.
        With `half_closed`, the client has ended its side: the transport closes once it is empty.
        """
        if self._wire.is_closing():
            return
        try:
            if half_closed:
                self._wire.close()
            else:
                self._wire.resume_reading()
                self._wire.write_eof()
        except OSError:  # the client has reset the connection; the loop is about to learn of it
            self._wire.abort()
            return
        self._look(-1, 0)

    def stop(self) -> None:
        """Look no more: the connection is lost, or ended at once."""
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None

    def _look(self, before: int, looks: int) -> None:
        """Let the client go when nothing has happened for long enough, else look again."""
        waiting = self._wire.get_write_buffer_size()
        waiting += max(0, bytes_unconfirmed(self._wire.get_extra_info("socket")))
        looks = looks + 1 if waiting == before else 0
        if looks > (_LOOKS if waiting else 0):
            self._wire.abort()
            return
        loop = asyncio.get_running_loop()
        self._timer = loop.call_later(_PAUSE, self._look, waiting, looks)


def bytes_unconfirmed(sock: socket.socket | None) -> int:
    """Count what the kernel took to send and the other side has not confirmed.

    SIOCOUTQ of tcp(7); -1 where the kernel does not say.
    """
    if sock is None or sock.fileno() < 0:
        return -1
    try:
        answer = fcntl.ioctl(sock.fileno(), termios.TIOCOUTQ, bytes(4))
    except OSError:
        return -1
    return int(struct.unpack("=i", answer)[0])
