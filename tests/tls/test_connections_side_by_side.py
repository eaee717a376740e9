"""Connections of one listener share memory for what arrives and what is sent; none gets another's.

A byte of another connection's in a record would fail its authentication (RFC 8446 §5.2), so that
a client which reads its own data has nobody else's.
"""

from __future__ import annotations

import contextlib
import os
import random
import threading
from typing import TYPE_CHECKING

import pytest
from transport_kit import SECONDS, VERSIONS, Client, Talker, client_context, served

if TYPE_CHECKING:
    import ssl
    from collections.abc import Iterator

PIECE = 250_000  # bytes; more than a socket takes at once of each connection
both_versions = pytest.mark.parametrize("newest", VERSIONS, ids=lambda version: version.name)


@contextlib.contextmanager
def clients(port: int, count: int, newest: ssl.TLSVersion) -> Iterator[list[Client]]:
    context = client_context(newest)
    with contextlib.ExitStack() as stack:
        yield [stack.enter_context(Client(port, context)) for _ in range(count)]


def pieces_of(flight: bytes, count: int) -> list[bytes]:
    size = -(-len(flight) // count)
    return [flight[start : start + size] for start in range(0, len(flight), size)]


@both_versions
def test_handshakes_may_go_on_in_turns(newest: ssl.TLSVersion) -> None:
    with served() as here, clients(here.port, 12, newest) as all_of_them:
        for parts in zip(*[pieces_of(client.hello(), 7) for client in all_of_them]):
            for client, part in zip(all_of_them, parts):
                client.socket.sendall(part)
        # Backwards, so that the first to begin is the last to end.
        for client in reversed(all_of_them):
            client.shake_hands()
        for number, client in enumerate(all_of_them):
            client.send(b"%d" % number)
        for number, client in enumerate(all_of_them):
            assert client.read_exactly(len(str(number))) == b"%d" % number


@both_versions
def test_handshakes_that_are_given_up_or_fail_do_not_touch_the_others(
    newest: ssl.TLSVersion,
) -> None:
    with served() as here, clients(here.port, 40, newest) as all_of_them:
        for client in all_of_them:
            client.socket.sendall(client.hello())
        for number, client in enumerate(all_of_them):
            if number % 4 == 1:
                client.reset()
            elif number % 4 == 2:
                client.socket.sendall(b"garbage, and no record of any kind")
            elif number % 4 == 3:
                client.socket.shutdown(1)
        for client in all_of_them[::4]:
            client.shake_hands().send(b"mine")
            assert client.read_exactly(4) == b"mine"


@both_versions
def test_each_of_many_that_transfer_at_once_gets_its_own_bytes(newest: ssl.TLSVersion) -> None:
    def swap(client: Client, data: bytes, got: list[bool]) -> None:
        client.shake_hands()
        for start in range(0, len(data), PIECE):
            piece = data[start : start + PIECE]
            sender = threading.Thread(target=client.socket.sendall, args=(client.sealed(piece),))
            sender.start()
            got.append(client.read_exactly(len(piece)) == piece)
            sender.join(SECONDS)

    with served() as here, clients(here.port, 8, newest) as all_of_them:
        got: list[bool] = []
        threads = [
            threading.Thread(target=swap, args=(client, os.urandom(PIECE * 6), got))
            for client in all_of_them
        ]
        in_all(threads)
        assert got == [True] * 8 * 6


@both_versions
def test_what_is_written_to_all_at_once_reaches_each_whatever_becomes_of_the_others(
    newest: ssl.TLSVersion,
) -> None:
    with served() as here, clients(here.port, 9, newest) as all_of_them:
        for client in all_of_them:
            client.shake_hands().send(b"x")
            client.read_exactly(1)
        ends = [write_close, write_abort, write_shut]
        talkers = {each.transport.get_extra_info("peername"): each for each in here.talkers}
        in_order = [talkers[client.socket.getsockname()] for client in all_of_them]

        def write_to_all() -> None:
            for number, talker in enumerate(in_order):
                ends[number % 3](talker, bytes([number]) * PIECE)

        here.run(write_to_all)
        for number in range(0, 9, 3):
            assert all_of_them[number].read_to_end() == (bytes([number]) * PIECE, "clean")


def write_close(talker: Talker, data: bytes) -> None:
    talker.transport.write(data)
    talker.transport.close()


def write_abort(talker: Talker, data: bytes) -> None:
    talker.transport.write(data)
    talker.transport.abort()
    talker.transport.write(data)


def write_shut(talker: Talker, data: bytes) -> None:
    """Write to a socket that was cut beneath the transport."""
    talker.transport.get_extra_info("socket").shutdown(2)
    talker.transport.write(data)
    talker.transport.write(data)


@both_versions
def test_writing_to_others_while_one_is_read_mixes_nothing(newest: ssl.TLSVersion) -> None:
    chosen = random.Random(3)  # noqa: S311 - which one, not a secret
    talkers: list[Talker] = []

    def pass_on(talker: Talker, data: bytes) -> None:
        if talker not in talkers:
            talkers.append(talker)
            talker.transport.write(b"seen")
            return
        for other in talkers:
            other.transport.write(data)

    with served(pass_on) as here, clients(here.port, 5, newest) as all_of_them:
        for client in all_of_them:
            client.shake_hands().send(b"here")
            assert client.read_exactly(4) == b"seen"
        for number in range(50):
            word = b"%03d" % number * 20
            chosen.choice(all_of_them).send(word)
            assert [client.read_exactly(60) for client in all_of_them] == [word] * 5


def in_all(threads: list[threading.Thread]) -> None:
    """Run threads to their end."""
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(SECONDS)
        assert not thread.is_alive()
