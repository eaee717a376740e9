"""The end of a connection, over real sockets of small buffers."""

from __future__ import annotations

import asyncio
import contextlib
import os
import socket
import struct
import threading
import time
from typing import TYPE_CHECKING, Callable, cast

import pytest

from depotserve.lingering import Lingering, bytes_unconfirmed

if TYPE_CHECKING:
    from collections.abc import Iterator

SECONDS = 30.0  # what anything here may take at most on a busy machine
LONG = os.urandom(3_000_000)
_SMALL = 16384  # bytes; a receive buffer behind which little is under way unread
_RESET_ON_CLOSE = struct.pack("ii", 1, 0)  # struct linger of socket(7)


class Owner(asyncio.Protocol):
    """Answer the first byte with `answer` and end; drop what comes afterwards."""

    def __init__(self, answer: bytes, *, awaits_the_end: bool = False) -> None:
        self.answer = answer
        self.awaits_the_end = awaits_the_end
        self.half_closed = False
        self.lost = threading.Event()

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        """Keep the transport."""
        self.wire = cast("asyncio.Transport", transport)
        self.lingering = Lingering(self.wire)

    def data_received(self, _data: bytes) -> None:
        """Answer, once."""
        if self.answer and not self.awaits_the_end:
            self.end()

    def eof_received(self) -> bool:
        """Answer now, if the client's end was waited for."""
        self.half_closed = True
        if self.awaits_the_end:
            self.end()
        return self.awaits_the_end

    def end(self) -> None:
        """Write the answer and end."""
        self.wire.write(self.answer)
        self.answer = b""
        self.lingering.begin(half_closed=self.half_closed)

    def connection_lost(self, _error: Exception | None) -> None:
        """Note the end."""
        self.lingering.stop()
        self.lost.set()


@contextlib.contextmanager
def owned(make: Callable[[], Owner]) -> Iterator[tuple[socket.socket, Owner]]:
    """Give a client that has sent its first byte, and the owner at the other end."""
    faults: list[object] = []

    async def serve(ours: socket.socket, owner: Owner) -> None:
        loop = asyncio.get_running_loop()
        loop.set_exception_handler(lambda _loop, fault: faults.append(fault))
        await loop.connect_accepted_socket(lambda: owner, ours)
        await loop.run_in_executor(None, owner.lost.wait)

    with socket.create_server(("127.0.0.1", 0)) as listener, socket.socket() as client:
        client.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, _SMALL)
        client.settimeout(SECONDS)
        client.connect(listener.getsockname())
        owner = make()
        run = serve(listener.accept()[0], owner)
        thread = threading.Thread(target=asyncio.run, args=(run,))
        thread.start()
        try:
            client.sendall(b"x")
            yield client, owner
            assert owner.lost.wait(60)
            assert not faults
        finally:
            client.close()
            thread.join(60)


def all_of(client: socket.socket) -> bytes:
    """Read to the end."""
    received = bytearray()
    while piece := client.recv(1 << 16):
        received += piece
    return bytes(received)


def test_all_that_was_written_arrives_and_then_the_end() -> None:
    with owned(lambda: Owner(LONG)) as (client, owner):
        assert all_of(client) == LONG
        client.close()
        assert owner.lost.wait(1.5)


# A plain close would answer what comes with a reset, and the rest would be lost (tcp(7)).
@pytest.mark.parametrize("more", ["at once", "later"])
def test_what_a_slow_client_sends_meanwhile_costs_it_no_byte(more: str) -> None:
    with owned(lambda: Owner(LONG)) as (client, _):
        if more == "at once":
            client.sendall(bytes(100_000))
        received, until = bytearray(), time.monotonic() + 5
        while time.monotonic() < until:
            received += client.recv(4096)
            time.sleep(0.1)
        if more == "later":
            client.sendall(bytes(100_000))
        assert received + all_of(client) == LONG


def test_a_client_that_has_ended_gets_all_and_is_waited_for_no_longer() -> None:
    with owned(lambda: Owner(LONG, awaits_the_end=True)) as (client, owner):
        client.shutdown(socket.SHUT_WR)
        assert all_of(client) == LONG
        assert owner.lost.wait(1.5)


def test_a_client_that_has_all_and_does_not_end_is_let_go() -> None:
    with owned(lambda: Owner(LONG)) as (client, owner):
        assert all_of(client) == LONG
        assert not owner.lost.wait(1)
        assert owner.lost.wait(10)


def test_a_client_that_sends_for_ever_does_not_keep_the_connection() -> None:
    with owned(lambda: Owner(LONG)) as (client, _):
        assert all_of(client) == LONG
        with pytest.raises(ConnectionError):
            send_on_and_on(client)


def send_on_and_on(client: socket.socket) -> None:
    """Send, for so long that only a mistake lasts longer."""
    until = time.monotonic() + SECONDS
    while time.monotonic() < until:
        client.sendall(bytes(1 << 16))


@pytest.mark.slow
@pytest.mark.parametrize("ends", [False, True])
def test_a_client_that_takes_nothing_is_let_go_in_time(*, ends: bool) -> None:
    with owned(lambda: Owner(LONG * 3, awaits_the_end=ends)) as (client, owner):
        if ends:
            client.shutdown(socket.SHUT_WR)
        assert not owner.lost.wait(5)
        assert owner.lost.wait(60)


def test_reading_that_was_paused_goes_on_so_that_the_clients_end_is_seen() -> None:
    class Paused(Owner):
        def end(self) -> None:
            self.wire.pause_reading()
            super().end()

    with owned(lambda: Paused(b"all")) as (client, owner):
        assert all_of(client) == b"all"
        client.sendall(bytes(1000))
        client.close()
        assert owner.lost.wait(1.5)


def test_a_reset_that_the_loop_has_not_seen_yet_does_no_harm() -> None:
    class Late(Owner):
        def end(self) -> None:
            time.sleep(0.2)
            super().end()

    with owned(lambda: Late(b"all")) as (client, owner):
        client.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, _RESET_ON_CLOSE)
        client.close()
        assert owner.lost.wait(5)


def test_a_transport_that_is_closing_is_left_alone() -> None:
    class Aborting(Owner):
        def end(self) -> None:
            self.answer = b""
            self.wire.abort()
            self.lingering.begin(half_closed=False)
            self.lingering.stop()

    with owned(lambda: Aborting(b"all")) as (_, owner):
        assert owner.lost.wait(1.5)


def test_what_is_unconfirmed_is_counted_while_there_is_a_connection() -> None:
    ours, theirs = socket.socket(), socket.socket()
    with socket.create_server(("127.0.0.1", 0)) as listener, ours, theirs:
        theirs.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, _SMALL)
        theirs.connect(listener.getsockname())
        ours = listener.accept()[0]
        assert bytes_unconfirmed(ours) == 0
        ours.setblocking(False)
        sent = ours.send(LONG)
        waiting = bytes_unconfirmed(ours)
        assert sent - 2 * _SMALL * 2 <= waiting <= sent
        theirs.settimeout(SECONDS)
        while sent:
            sent -= len(theirs.recv(1 << 16))
        deadline = time.monotonic() + SECONDS
        while bytes_unconfirmed(ours) > 0 and time.monotonic() < deadline:
            time.sleep(0.02)
        assert bytes_unconfirmed(ours) == 0
        ours.close()
        assert bytes_unconfirmed(ours) == -1
    assert bytes_unconfirmed(None) == -1
