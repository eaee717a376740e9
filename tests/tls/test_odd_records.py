"""Records that a client may send, or may not, over the TLS transport (RFC 8446 §5 and §6)."""

from __future__ import annotations

import contextlib
import itertools
import os
import ssl
import time
from typing import TYPE_CHECKING, Callable

import pytest
from transport_kit import (
    SECONDS,
    VERSIONS,
    Client,
    Forger,
    Talker,
    client_context,
    forging_context,
    served,
    wait_for,
)

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

LONG = os.urandom(3_000_000)
CHANGE_CIPHER, ALERT, HANDSHAKE, DATA = 20, 21, 22, 23  # §5.1, ContentType
WARNING, FATAL = 1, 2  # §6, AlertLevel
CLOSE, UNEXPECTED, CANCELED = 0, 10, 90  # §6, AlertDescription
both_versions = pytest.mark.parametrize("newest", VERSIONS, ids=lambda version: version.name)


@pytest.fixture
def secrets(tmp_path: Path) -> Path:
    return tmp_path / "secrets"


def answer_long(talker: Talker, _data: bytes) -> None:
    talker.transport.set_write_buffer_limits(high=0)
    talker.transport.write(LONG * 3)


# What is allowed.


# §5.1: zero-length fragments of application data may be sent, against traffic analysis.
def test_empty_records_between_data_say_nothing(secrets: Path) -> None:
    with served() as here, Client(here.port, forging_context(secrets)) as client:
        client.shake_hands()
        forger = Forger(secrets)
        for word in (b"one", b"two"):
            empty = b"".join(forger.data(b"") for _ in range(20))
            client.socket.sendall(empty + forger.data(word))
            assert client.read_exactly(3) == word
        assert here.talker().received == b"onetwo"
        assert "eof" not in here.talker().events


# §5.4: padding of zeros, up to a full record, after the type of what is sealed.
@pytest.mark.parametrize("length", [1, 255, 16384 - 3])
def test_padding_is_taken_off(secrets: Path, length: int) -> None:
    with served() as here, Client(here.port, forging_context(secrets)) as client:
        client.shake_hands()
        padded = b"one" + bytes([DATA]) + bytes(length - 1)
        client.socket.sendall(Forger(secrets).record(0, padded))
        assert client.read_exactly(3) == b"one"


# Appendix D.4: a record of this kind may come until the client's Finished, and is dropped.
def test_a_change_of_cipher_within_the_handshake_is_dropped() -> None:
    with served() as here, Client(here.port) as client:
        flight = client.last_flight()
        client.socket.sendall(b"\x14\x03\x03\x00\x01\x01" + flight + client.sealed(b"one"))
        assert client.read_exactly(3) == b"one"


# §6.1: user_canceled is a warning, and closure follows it.
def test_a_user_who_cancels_ends_politely(secrets: Path) -> None:
    with served() as here, Client(here.port, forging_context(secrets)) as client:
        client.shake_hands()
        forger = Forger(secrets)
        words = forger.record(ALERT, bytes([WARNING, CANCELED]))
        client.socket.sendall(words + forger.record(ALERT, bytes([WARNING, CLOSE])))
        assert client.read_to_end() == (b"", "clean")
        assert "eof" in here.talker().events


@both_versions
def test_records_of_every_length_about_the_largest_come_through(newest: ssl.TLSVersion) -> None:
    with served() as here, Client(here.port, client_context(newest)) as client:
        client.shake_hands()
        for length in (1, 2, 16383, 16384, 16385, 32768, 32769):
            client.send(LONG[:length])
            assert client.read_exactly(length) == LONG[:length]


# What is not.


ODD: dict[str, Callable[[Forger], bytes]] = {
    "a record that is not sealed": lambda _: b"\x17\x03\x03\x00\x03one",
    "a hello in the clear": lambda _: b"\x16\x03\x03\x00\x04\x01\x00\x00\x00",
    "a type that nobody knows": lambda forger: forger.record(99, b"one"),
    "a change of cipher, sealed": lambda forger: forger.record(CHANGE_CIPHER, b"\x01"),
    "an empty alert": lambda forger: forger.record(ALERT, b""),
    "an alert that is cut": lambda forger: forger.record(ALERT, bytes([FATAL])),
    "an empty message": lambda forger: forger.record(HANDSHAKE, b""),
    "a second hello": lambda forger: forger.record(HANDSHAKE, b"\x01\x00\x00\x00"),
    "a server's message": lambda forger: forger.record(HANDSHAKE, b"\x08\x00\x00\x02\x00\x00"),
    "an update of keys that is none": lambda forger: forger.record(
        HANDSHAKE, b"\x18\x00\x00\x01\x07"
    ),
    "zeros alone": lambda forger: forger.record(0, bytes(100)),
    "more than a record holds": lambda forger: forger.data(bytes(16385)),
    "a length that no record has": lambda _: b"\x17\x03\x03\xff\xff" + bytes(100),
}


@pytest.mark.parametrize("which", ODD)
def test_a_record_that_may_not_come_is_answered_by_an_alert(secrets: Path, which: str) -> None:
    with served() as here, Client(here.port, forging_context(secrets)) as client:
        client.shake_hands()
        client.socket.sendall(ODD[which](Forger(secrets)))
        with pytest.raises(ssl.SSLError, match=r"(?i)alert"):
            client.read()
        assert client.has_socket_end()
        client.socket.close()
        assert here.talker().lost.wait(SECONDS)
        assert here.talker().received == b""


def test_what_came_before_an_odd_record_is_delivered_and_what_comes_after_is_not(
    secrets: Path,
) -> None:
    with served() as here, Client(here.port, forging_context(secrets)) as client:
        client.shake_hands()
        forger = Forger(secrets)
        records = forger.data(b"before"), forger.record(99, b"odd"), forger.data(b"after")
        client.socket.sendall(b"".join(records))
        assert client.read_exactly(6) == b"before"
        with pytest.raises(ssl.SSLError, match=r"(?i)alert"):
            client.read()
        assert here.talker().received == b"before"


@pytest.mark.parametrize("record", ["empty", "cancel"])
def test_records_without_content_do_not_come_for_ever(secrets: Path, record: str) -> None:
    with served() as here, Client(here.port, forging_context(secrets)) as client:
        client.shake_hands()
        forger = Forger(secrets)
        with pytest.raises(ConnectionError):
            send_for_long(client, endless(forger, record))
        assert here.talker().lost.wait(SECONDS)
        assert here.talker().received == b""


def endless(forger: Forger, record: str) -> Iterator[bytes]:
    for _ in itertools.count():
        if record == "empty":
            yield forger.data(b"")
        else:
            yield forger.record(ALERT, bytes([WARNING, CANCELED]))


def send_for_long(client: Client, pieces: Iterator[bytes]) -> None:
    """Send, for so long that only a mistake lasts longer."""
    until = time.monotonic() + SECONDS
    while time.monotonic() < until:
        client.socket.sendall(next(pieces))


# Within what the server sends.


@pytest.mark.parametrize("odd", ["a type that nobody knows", "a record that is not sealed"])
def test_an_odd_record_while_an_answer_is_under_way_ends_it_with_an_alert(
    secrets: Path, odd: str
) -> None:
    with served(answer_long) as here, Client(here.port, forging_context(secrets)) as client:
        client.shake_hands()
        forger = Forger(secrets)
        client.socket.sendall(forger.data(b"go"))
        received = bytearray(client.read())
        client.socket.sendall(ODD[odd](forger))
        with pytest.raises(ssl.SSLError, match=r"(?i)alert"):
            read_on(client, received)
        # All that had been written comes before the alert.
        assert received == LONG * 3
        assert here.talker().lost.wait(SECONDS)


def read_on(client: Client, received: bytearray) -> None:
    """Read to the end, or to a fault."""
    while piece := client.read():
        received += piece


@pytest.mark.parametrize("reads", [False, True])
def test_a_fatal_alert_while_an_answer_is_under_way_ends_the_connection(
    secrets: Path, *, reads: bool
) -> None:
    context = forging_context(secrets)
    with served(answer_long) as here, Client(here.port, context, small=True) as client:
        client.shake_hands()
        forger = Forger(secrets)
        client.socket.sendall(forger.data(b"go"))
        client.read()
        wait_for(lambda: "pause" in here.talker().events)
        client.socket.sendall(forger.record(ALERT, bytes([FATAL, UNEXPECTED])))
        wait_for(lambda: here.run(here.talker().transport.is_closing))
        if reads:
            client.read_to_end()
        client.socket.close()
        assert here.talker().lost.wait(SECONDS)


@both_versions
def test_a_cut_record_ends_with_the_socket(newest: ssl.TLSVersion) -> None:
    with served() as here, Client(here.port, client_context(newest)) as client:
        client.shake_hands()
        client.socket.sendall(client.sealed(b"whole") + client.sealed(b"cut")[:-1])
        with contextlib.suppress(OSError):
            client.socket.shutdown(1)
        assert client.read_to_end() == (b"whole", "clean")
        assert here.talker().received == b"whole"
