"""What the other side of a connection has confirmed, as the kernel knows it (tcp(7))."""

from __future__ import annotations

import socket
import struct

from depotserve.lingering import bytes_unconfirmed

__all__ = ["bytes_acknowledged", "bytes_handed_over", "can_still_send"]

# struct tcp_info of linux/tcp.h: 8 bytes, 24 words of 4, two rates of 8, then bytes acknowledged;
# its first byte is the state.
_ACKNOWLEDGED_AT = 120
_CAN_SEND = (1, 8)  # TCP_ESTABLISHED, and TCP_CLOSE_WAIT: a client that will send no more
_TRIES = 16


def bytes_acknowledged(sock: socket.socket | None) -> int:
    """Give how many bytes the other side has confirmed; -1 where the kernel does not say."""
    info = _info(sock)
    if len(info) < _ACKNOWLEDGED_AT + 8:
        return -1
    return int(struct.unpack_from("=Q", info, _ACKNOWLEDGED_AT)[0])


def bytes_handed_over(sock: socket.socket | None) -> int:
    """Give how many bytes the kernel took to send, on the scale of `bytes_acknowledged`.

    It may come out too low while confirmations stream in, by what arrived between two looks;
    -1 where the kernel does not say.
    """
    for _ in range(_TRIES):
        before, waiting = bytes_acknowledged(sock), bytes_unconfirmed(sock)
        if before < 0 or waiting < 0:
            return -1
        if bytes_acknowledged(sock) == before:
            break
    return before + waiting


def can_still_send(sock: socket.socket | None) -> bool:
    """Tell whether what is waiting may still arrive."""
    return _info(sock)[:1] in [bytes((state,)) for state in _CAN_SEND]


def _info(sock: socket.socket | None) -> bytes:
    try:
        return b"" if sock is None else sock.getsockopt(socket.IPPROTO_TCP, socket.TCP_INFO, 256)
    except OSError:
        return b""
