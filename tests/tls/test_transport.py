"""The TLS transport with a protocol that shows what it was given, in a loop of its own."""

from __future__ import annotations

import itertools
import os
import socket
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
    echo,
    forging_context,
    served,
    wait_for,
)

if TYPE_CHECKING:
    from collections.abc import Iterable
    from pathlib import Path

DATA = os.urandom(300_000)
LONG = os.urandom(3_000_000)
both_versions = pytest.mark.parametrize("newest", VERSIONS, ids=lambda version: version.name)


def answer_and_close(talker: Talker, _data: bytes) -> None:
    talker.transport.write(LONG)
    talker.transport.close()


def answer_long(talker: Talker, _data: bytes) -> None:
    talker.transport.write(LONG * 3)


def answer_long_or_echo(talker: Talker, data: bytes) -> None:
    talker.transport.write(LONG if data == b"go" else data)


def pause(talker: Talker, _data: bytes) -> None:
    talker.transport.pause_reading()


# Input.


@both_versions
def test_data_come_through_both_ways(newest: ssl.TLSVersion) -> None:
    with served() as here, Client(here.port, client_context(newest)) as client:
        client.shake_hands()
        for start in range(0, len(DATA), 50_000):
            client.send(DATA[start : start + 50_000])
            assert client.read_exactly(50_000) == DATA[start : start + 50_000]


@both_versions
def test_input_may_come_byte_by_byte(newest: ssl.TLSVersion) -> None:
    with served() as here, Client(here.port, client_context(newest)) as client:
        client.shake_hands(client.dribble)
        client.dribble(client.sealed(b"one") + client.sealed(b"two"))
        assert client.read_exactly(6) == b"onetwo"


@both_versions
def test_what_comes_in_one_segment_with_the_end_of_the_handshake_is_not_lost(
    newest: ssl.TLSVersion,
) -> None:
    with served() as here, Client(here.port, client_context(newest)) as client:
        flight = client.last_flight()
        client.socket.sendall(flight + client.sealed(b"one") + client.sealed(b"two"))
        assert client.read_exactly(6) == b"onetwo"


def test_a_whole_life_in_one_segment_after_the_hello_is_answered() -> None:
    with served(stays=False) as here, Client(here.port) as client:
        flight = client.last_flight()
        client.socket.sendall(flight + client.sealed(b"all") + client.farewell())
        assert client.read_to_end() == (b"all", "clean")
        assert here.talker().events[:2] == ["made", "eof"]


def test_a_session_is_resumed_by_its_ticket() -> None:
    for newest in VERSIONS:
        context = client_context(newest)
        with served() as here:
            with Client(here.port, context) as client:
                client.shake_hands().send(b"x")
                assert client.read_exactly(1) == b"x"
                assert not client.tls.session_reused
                session = client.tls.session
            with Client(here.port, context, session=session) as again:
                again.shake_hands().send(b"y")
                assert again.read_exactly(1) == b"y"
                assert again.tls.session_reused


@pytest.mark.parametrize(
    ("offered", "chosen"),
    [(["http/1.1"], "http/1.1"), (["h2", "http/1.1"], "http/1.1"), (["h2"], None), ([], None)],
)
def test_the_protocol_is_agreed_upon(offered: list[str], chosen: str | None) -> None:
    context = client_context(protocols=offered)
    with served() as here, Client(here.port, context) as client:
        client.shake_hands().send(b"x")
        assert client.read_exactly(1) == b"x"
        assert client.tls.selected_alpn_protocol() == chosen
        seen = here.talker().transport.get_extra_info("ssl_object")
        assert seen.selected_alpn_protocol() == chosen


@pytest.mark.parametrize("name", ["localhost", "unknown.example", None])
def test_any_server_name_and_none_is_served(name: str | None) -> None:
    with served() as here, Client(here.port, name=name) as client:
        client.shake_hands().send(b"x")
        assert client.read_exactly(1) == b"x"


# Endings by the client.


@pytest.mark.parametrize("stays", [False, True])
@both_versions
def test_a_closure_alert_is_told_once_and_leaves_time_for_an_answer(
    newest: ssl.TLSVersion, *, stays: bool
) -> None:
    with served(stays=stays) as here, Client(here.port, client_context(newest)) as client:
        client.shake_hands().send(b"x")
        assert client.read_exactly(1) == b"x"
        client.socket.sendall(client.farewell())
        talker = here.talker()
        wait_for(lambda: "eof" in talker.events)
        if stays:
            here.run(talker.transport.write, LONG)
            # What a client sends after its closure alert counts for nothing (RFC 8446 §6.1).
            client.socket.sendall(b"\x17\x03\x03\x00\x20" + bytes(32))
            here.run(talker.transport.close)
        assert client.read_to_end() == (LONG if stays else b"", "clean")
        client.socket.close()
        assert talker.lost.wait(SECONDS)


@both_versions
@pytest.mark.parametrize("farewell", ["alert", "socket", "both", "close"])
def test_a_client_that_ends_is_told_of_once_and_let_go(
    newest: ssl.TLSVersion, farewell: str
) -> None:
    with served() as here, Client(here.port, client_context(newest)) as client:
        client.shake_hands().send(b"x")
        assert client.read_exactly(1) == b"x"
        if farewell != "socket":
            client.socket.sendall(client.farewell())
        if farewell in {"socket", "both"}:
            client.socket.shutdown(1)
        if farewell == "close":
            client.socket.close()
        else:
            assert client.read_to_end() == (b"", "clean")
            client.socket.close()
        assert here.talker().lost.wait(SECONDS)
        assert here.talker().events == ["made", "eof", "lost"]


def test_a_flood_after_the_closure_alert_is_not_kept() -> None:
    with served(stays=True) as here, Client(here.port) as client:
        client.shake_hands()
        client.socket.sendall(client.farewell())
        talker = here.talker()
        wait_for(lambda: "eof" in talker.events)
        for _ in range(64):
            client.socket.sendall(bytes(1 << 16))
        time.sleep(0.1)
        assert here.run(lambda: talker.transport._incoming.pending) < 1 << 17  # noqa: SLF001
        here.run(talker.transport.close)
        assert client.read_to_end() == (b"", "clean")


@both_versions
@pytest.mark.parametrize("farewell", [False, True])
def test_a_socket_that_is_closed_to_one_side_gets_the_whole_answer(
    newest: ssl.TLSVersion, *, farewell: bool
) -> None:
    with served(stays=True) as here, Client(here.port, client_context(newest)) as client:
        client.shake_hands()
        client.socket.sendall(client.sealed(b"x") + (client.farewell() if farewell else b""))
        client.socket.shutdown(1)
        talker = here.talker()
        wait_for(lambda: "eof" in talker.events)
        here.run(talker.transport.write, LONG)
        here.run(talker.transport.close)
        assert client.read_to_end() == (b"x" + LONG, "clean")
        # The client has ended, so nothing is waited for.
        assert talker.lost.wait(1.5)


def test_a_reset_in_the_middle_of_what_is_sent_loses_the_connection_once() -> None:
    with served(answer_long) as here:
        with Client(here.port, small=True) as client:
            client.shake_hands().send(b"x")
            client.read()
            client.reset()
        assert here.talker().lost.wait(SECONDS)
        assert here.run(here.talker().transport.is_closing)


def test_a_reset_that_the_loop_has_not_seen_yet_does_no_harm() -> None:
    def wait_and_close(talker: Talker, _data: bytes) -> None:
        time.sleep(0.2)
        talker.transport.close()

    with served(wait_and_close) as here, Client(here.port) as client:
        client.shake_hands().send(b"x")
        client.reset()
        assert here.talker().lost.wait(SECONDS)


# What a client says that does not know the authority: an alert, then a reset since it has not
# read the tickets. RFC 8446 §6: level 2, unknown_ca 48.
def test_a_fatal_alert_and_a_reset_at_once_do_no_harm(tmp_path: Path) -> None:
    def wait(_talker: Talker, _data: bytes) -> None:
        time.sleep(0.2)

    context = forging_context(tmp_path / "secrets")
    with served(wait) as here:
        for _ in range(5):
            (tmp_path / "secrets").write_text("")
            with Client(here.port, context) as client:
                client.shake_hands()
                forger = Forger(tmp_path / "secrets")
                client.socket.sendall(forger.data(b"x") + forger.record(21, b"\x02\x30"))
                client.reset()
        wait_for(lambda: len(here.talkers) == 5)


@pytest.mark.parametrize("alert", [b"\x02\x30", b"\x02\x28"])
def test_a_fatal_alert_ends_the_connection(tmp_path: Path, alert: bytes) -> None:
    context = forging_context(tmp_path / "secrets")
    with served() as here, Client(here.port, context) as client:
        client.shake_hands()
        client.socket.sendall(Forger(tmp_path / "secrets").record(21, alert))
        received, ending = client.read_to_end()
        assert received == b""
        assert ending in {"cut", "clean"}


def test_a_record_that_was_tampered_with_is_answered_by_an_alert() -> None:
    with served() as here, Client(here.port) as client:
        client.shake_hands()
        record = bytearray(client.sealed(b"secret"))
        record[-1] ^= 1
        client.socket.sendall(record)
        with pytest.raises(ssl.SSLError, match="BAD_RECORD_MAC"):
            client.read()
        assert client.has_socket_end()
        assert here.talker().received == b""


# The handshake.


GARBAGE: dict[str, Callable[[bytes], bytes]] = {
    "http": lambda _: b"GET / HTTP/1.1\r\nHost: localhost\r\n\r\n",
    "zeros": lambda _: bytes(4096),
    "random": lambda _: b"\x01" + os.urandom(4095),
    "lines": lambda _: b"\n" * 100,
    "another type of record": lambda hello: b"\x17" + hello[1:],
    "a length beyond its record": lambda hello: hello[:76] + b"\xff\xff" + hello[78:],
    "an old version": lambda _: b"\x16\x03\x00\x00\x04\x01\x00\x00\x00",
    "far too much": lambda _: b"\x16\x03\x01\x40\x00\x01\xff\xff\xff" + bytes(1 << 20),
}


@pytest.mark.parametrize("which", GARBAGE)
def test_what_is_no_handshake_is_ended_at_once(which: str) -> None:
    with served() as here, Client(here.port) as client:
        began = time.monotonic()
        try:
            client.socket.sendall(GARBAGE[which](client.hello()))
            while client.socket.recv(4096):
                pass
        except ConnectionError:
            pass  # more was sent than was read of it
        assert time.monotonic() - began < 5
        assert not here.talkers


@pytest.mark.parametrize("share", [0.0, 0.01, 0.5, 0.99])
def test_a_hello_that_is_cut_ends_with_the_socket(share: float) -> None:
    with served() as here, Client(here.port) as client:
        hello = client.hello()
        client.socket.sendall(hello[: int(len(hello) * share)])
        client.socket.shutdown(1)
        assert client.has_socket_end()
        assert not here.talkers


@pytest.mark.parametrize("stage", ["nothing", "half a hello", "a hello"])
def test_a_handshake_that_does_not_end_is_given_up_in_time(stage: str) -> None:
    with served(handshake_seconds=1) as here, Client(here.port) as client:
        hello = client.hello()
        began = time.monotonic()
        client.socket.sendall({"nothing": b"", "half a hello": hello[:80], "a hello": hello}[stage])
        while client.socket.recv(65536):
            pass
        assert 0.8 < time.monotonic() - began < 10
        assert not here.talkers


def test_a_handshake_that_goes_on_byte_by_byte_is_given_up_in_time() -> None:
    with served(handshake_seconds=1) as here, Client(here.port) as client:
        began = time.monotonic()
        octets = (bytes([octet]) for octet in client.hello())
        with pytest.raises(ConnectionError):
            send_each(client, octets, pause=0.05)
        assert time.monotonic() - began < 10
        assert not here.talkers


def test_a_connection_that_has_shaken_hands_outlives_the_limit_for_that() -> None:
    with served(handshake_seconds=1) as here, Client(here.port) as client:
        client.shake_hands()
        time.sleep(1.5)
        client.send(b"x")
        assert client.read_exactly(1) == b"x"


def send_each(client: Client, pieces: Iterable[bytes], *, pause: float = 0) -> None:
    """Send pieces, for so long that only a mistake lasts longer."""
    until = time.monotonic() + SECONDS
    for piece in pieces:
        client.socket.sendall(piece)
        time.sleep(pause)
        if time.monotonic() > until:
            return


# Key updates (RFC 8446 §4.6.3).


@pytest.mark.parametrize("requested", [False, True])
def test_keys_may_be_updated_between_and_within_data(tmp_path: Path, *, requested: bool) -> None:
    context = forging_context(tmp_path / "secrets")
    with served() as here, Client(here.port, context) as client:
        client.shake_hands()
        forger = Forger(tmp_path / "secrets")
        for _ in range(3):
            client.socket.sendall(forger.data(b"one"))
            assert client.read_exactly(3) == b"one"
            update = forger.key_update(requested=requested)
            client.socket.sendall(update + forger.data(b"two"))
            assert client.read_exactly(3) == b"two"


def test_keys_may_be_updated_while_an_answer_is_under_way(tmp_path: Path) -> None:
    context = forging_context(tmp_path / "secrets")
    with served(answer_long_or_echo) as here, Client(here.port, context, small=True) as client:
        client.shake_hands()
        forger = Forger(tmp_path / "secrets")
        client.socket.sendall(forger.data(b"go"))
        received = bytearray()
        for _ in range(20):
            received += client.read()
            client.socket.sendall(forger.key_update(requested=True))
        client.socket.sendall(forger.data(b"end"))
        received += client.read_exactly(len(LONG) + 3 - len(received))
        assert received == LONG + b"end"


@pytest.mark.slow
def test_a_client_that_asks_for_keys_for_ever_and_reads_nothing_is_dropped(tmp_path: Path) -> None:
    context = forging_context(tmp_path / "secrets")
    with served(answer_long) as here, Client(here.port, context, small=True) as client:
        client.shake_hands()
        forger = Forger(tmp_path / "secrets")
        client.socket.sendall(forger.data(b"go"))
        updates = (forger.key_update(requested=True) for _ in range(20_000))
        with pytest.raises(ConnectionError):
            send_each(client, updates)
        assert here.talker().lost.wait(SECONDS)


# Endings by the server.


@both_versions
def test_the_servers_end_comes_after_all_that_was_written_and_says_so(
    newest: ssl.TLSVersion,
) -> None:
    with served(answer_and_close) as here, Client(here.port, client_context(newest)) as client:
        client.shake_hands().send(b"x")
        assert client.read_to_end() == (LONG, "clean")


@both_versions
@pytest.mark.parametrize("more", ["nothing", "at once", "later"])
@pytest.mark.slow
def test_a_slow_client_loses_no_byte_of_what_was_written_before_the_end(
    newest: ssl.TLSVersion, more: str
) -> None:
    with served(answer_and_close) as here:
        context = client_context(newest)
        with Client(here.port, context, small=True) as client:
            client.shake_hands()
            client.socket.sendall(client.sealed(b"x"))
            if more == "at once":
                client.send(bytes(16000))
            # Past the time for which the server waits for a client that has taken all.
            first = slowly(client, 6.0)
            if more == "later":
                client.send(bytes(16000))
            assert 0 < len(first) < len(LONG)
            rest, ending = client.read_to_end()
            assert first + rest == LONG
            assert ending == "clean"


def slowly(client: Client, seconds: float) -> bytes:
    """Read for some time at a pace at which the answer lasts longer."""
    received, until = bytearray(), time.monotonic() + seconds
    while time.monotonic() < until:
        received += client.read()
        time.sleep(0.1)
    return bytes(received)


def test_a_client_that_never_ends_is_let_go_after_the_servers_end() -> None:
    with served(answer_and_close) as here, Client(here.port) as client:
        client.shake_hands().send(b"x")
        assert client.read_to_end() == (LONG, "clean")
        assert here.talker().lost.wait(10)


def test_a_client_that_floods_does_not_keep_an_ended_connection() -> None:
    with served(answer_and_close) as here, Client(here.port) as client:
        client.shake_hands().send(b"x")
        assert client.read_to_end() == (LONG, "clean")
        with pytest.raises(ConnectionError):
            send_each(client, itertools.repeat(bytes(1 << 16)))
        assert here.talker().received == b"x"


@pytest.mark.slow
def test_a_client_that_takes_nothing_after_the_servers_end_is_let_go_in_time() -> None:
    with served(answer_and_close) as here, Client(here.port, small=True) as client:
        client.shake_hands().send(b"x")
        assert not here.talker().lost.wait(5)
        assert here.talker().lost.wait(60)


# The transport's own interface.


def test_it_tells_what_asyncio_promises_of_a_transport() -> None:
    with served() as here, Client(here.port) as client:
        client.shake_hands().send(b"x")
        assert client.read_exactly(1) == b"x"
        talker = here.talker()
        transport = talker.transport
        context = transport.get_extra_info("sslcontext")
        assert isinstance(context, ssl.SSLContext)
        assert transport.get_extra_info("ssl_object").version() == "TLSv1.3"
        assert transport.get_extra_info("peername") == client.socket.getsockname()
        assert transport.get_extra_info("sockname") == client.socket.getpeername()
        assert transport.get_extra_info("socket").fileno() > 0
        assert transport.get_extra_info("unknown", "default") == "default"
        assert transport.get_protocol() is talker
        assert transport.is_reading()
        assert not transport.can_write_eof()
        assert not transport.is_closing()
        assert transport.get_write_buffer_size() == 0


def test_closing_twice_and_writing_after_it_do_nothing() -> None:
    with served() as here, Client(here.port) as client:
        client.shake_hands().send(b"x")
        assert client.read_exactly(1) == b"x"
        transport = here.talker().transport

        def close() -> None:
            transport.writelines([b"a", bytearray(b"b"), memoryview(b"c"), b""])
            for _ in range(2):
                transport.close()
                assert transport.is_closing()
                assert not transport.is_reading()
                transport.write(b"late")
                transport.pause_reading()
                transport.resume_reading()

        here.run(close)
        assert client.read_to_end() == (b"abc", "clean")
        client.socket.close()
        assert here.talker().lost.wait(SECONDS)
        here.run(close_again, transport)


def close_again(transport: object) -> None:
    for name in ("close", "abort", "resume_reading"):
        getattr(transport, name)()
    transport.write(b"late")  # type: ignore[attr-defined]
    assert transport.is_closing()  # type: ignore[attr-defined]


@pytest.mark.parametrize("names", [("abort", "abort"), ("close", "abort"), ("abort", "close")])
def test_an_abort_ends_at_once_whatever_was_said_before(names: tuple[str, str]) -> None:
    with served(answer_long) as here, Client(here.port, small=True) as client:
        client.shake_hands().send(b"x")
        wait_for(lambda: here.talker().received)
        transport = here.talker().transport
        here.run(lambda: [getattr(transport, name)() for name in names])
        assert here.talker().lost.wait(5)
        assert here.run(transport.is_closing)


def test_nothing_is_delivered_while_reading_is_paused_and_all_afterwards() -> None:
    with served(pause, stays=True) as here, Client(here.port) as client:
        flight = client.last_flight()
        records = b"".join(client.sealed(bytes([65 + number])) for number in range(5))
        client.socket.sendall(flight + records + client.farewell())
        client.socket.shutdown(1)
        talker = here.talker()
        for number in range(5):
            wait_for(lambda: len(talker.received) == number + 1)  # noqa: B023 - called at once
            time.sleep(0.05)
            assert talker.received == b"ABCDE"[: number + 1]
            assert "eof" not in talker.events
            assert not here.run(talker.transport.is_reading)
            here.run(talker.transport.resume_reading)
        wait_for(lambda: "eof" in talker.events)
        here.run(talker.transport.pause_reading)
        here.run(talker.transport.resume_reading)
        time.sleep(0.1)
        assert talker.events.count("eof") == 1
        here.run(talker.transport.close)
        assert client.read_to_end() == (b"", "clean")


def test_a_client_that_floods_a_paused_reader_is_held_up() -> None:
    with served(pause) as here, Client(here.port) as client:
        client.shake_hands()
        client.socket.settimeout(1)
        records = (client.sealed(bytes(16000)) for _ in range(4000))
        with pytest.raises(socket.timeout):
            send_each(client, records)
        talker = here.talker()
        assert len(talker.received) <= 1 << 16
        assert here.run(lambda: talker.transport._incoming.pending) <= 1 << 16  # noqa: SLF001
        here.run(talker.transport.abort)


def test_back_pressure_reaches_the_protocol_and_ends_when_the_kernel_has_all() -> None:
    def write(talker: Talker, _data: bytes) -> None:
        talker.transport.set_write_buffer_limits(high=0)
        talker.transport.write(LONG * 3)

    with served(write) as here, Client(here.port, small=True) as client:
        client.shake_hands().send(b"x")
        talker = here.talker()
        wait_for(lambda: "pause" in talker.events)
        assert here.run(talker.transport.get_write_buffer_size) > 0
        time.sleep(0.2)
        assert "resume" not in talker.events
        assert client.read_exactly(3 * len(LONG)) == LONG * 3
        wait_for(lambda: "resume" in talker.events)
        assert here.run(talker.transport.get_write_buffer_size) == 0
        assert talker.events == ["made", "pause", "resume"]


# Leaks.


def leave_politely(client: Client) -> None:
    client.socket.sendall(client.farewell())
    client.socket.close()


def leave_in_a_handshake(client: Client) -> None:
    client.socket.close()


ENDINGS: list[Callable[[Client], object]] = [
    leave_politely,
    lambda client: client.socket.close(),
    lambda client: client.reset(),
    lambda client: (client.send(b"x" * 5000), client.reset()),
    lambda client: (client.socket.shutdown(1), client.read_to_end(), client.socket.close()),
    lambda client: (client.socket.sendall(b"garbage\r\n" * 9), client.socket.close()),
    lambda client: (client.send(b"close"), client.read_to_end(), client.socket.close()),
    lambda client: (client.send(b"abort"), client.read_to_end(), client.socket.close()),
]


@pytest.mark.slow
def test_five_hundred_endings_of_all_kinds_leave_nothing_behind() -> None:
    def answer(talker: Talker, data: bytes) -> None:
        if data in {b"close", b"abort"}:
            getattr(talker.transport, data.decode())()
        else:
            echo(talker, data)

    with served(answer) as here:
        context = client_context()
        before = descriptors()
        for number in range(504):
            client = Client(here.port, context)
            if number % 9 < len(ENDINGS):
                client.shake_hands()
                ENDINGS[number % 9](client)
            else:
                client.socket.sendall(client.hello()[: number % 300])
                client.socket.close()
        assert len(here.talkers) >= 400
        wait_for(lambda: descriptors() <= before)


def descriptors() -> int:
    return len(os.listdir("/proc/self/fd"))
