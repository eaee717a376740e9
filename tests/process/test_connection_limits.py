"""How many connections a depot has at most: in total and by address, over all its workers."""

from __future__ import annotations

import asyncio
import contextlib
import os
import select
import signal
import socket
import ssl
import time
from typing import TYPE_CHECKING, Any

import harness
import pytest
import serving
from process_kit import wait_until

from depotserve.config import Limits, Listener
from depotserve.http import Census
from depotserve.process import sockets
from depotserve.process.acceptor import Acceptor, Factories

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

TOTAL = 16
ASK = b"GET /_depot/health HTTP/1.1\r\nHost: h\r\n\r\n"
LARGE = 64 * 1024 * 1024


class Clients:
    """Connections that stay, until the test is over or they are closed."""

    def __init__(self) -> None:
        self.open: list[socket.socket] = []

    def connect(self, depot: harness.RunningDepot, *, source: str = "127.0.0.1") -> socket.socket:
        """Connect from a loopback address of one's own (RFC 1122 section 3.2.1.3)."""
        made = socket.create_connection(("127.0.0.1", depot.port), 30, (source, 0))
        if depot.endpoints[0].scheme == "https":
            made = depot.context().wrap_socket(made, server_hostname="localhost")
        self.open.append(made)
        return made

    def ask(self, depot: harness.RunningDepot, *, source: str = "127.0.0.1") -> harness.Answer:
        """Connect, ask for something short, and stay connected."""
        made = self.connect(depot, source=source)
        made.sendall(ASK)
        return harness.answer(made.recv(65536))

    def close(self) -> None:
        """Close all that are left."""
        for one in self.open:
            one.close()


@pytest.fixture
def clients() -> Iterator[Clients]:
    made = Clients()
    yield made
    made.close()


@contextlib.contextmanager
def depot_of(
    folder: Path, tree: Path, *, plain: bool = True, workers: int = 2, **limits: int
) -> Iterator[harness.RunningDepot]:
    mount = serving.mount("/", tree, "anonymous")
    listeners = [serving.PLAIN if plain else serving.TLS]
    with serving.serving(
        folder, mount, listeners=listeners, workers=workers, limits=limits
    ) as depot:
        yield depot
    assert "Traceback" not in depot.log()
    assert "ERROR" not in depot.log().replace("ERROR worker", "")


def has_answer(client: socket.socket, seconds: float = 0.0) -> bool:
    return bool(select.select([client], [], [], seconds)[0])


def test_past_the_total_a_client_waits_and_is_served_once_another_ends(
    tmp_path: Path, tree: Path, clients: Clients
) -> None:
    with depot_of(tmp_path, tree, connections=TOTAL) as depot:
        for _ in range(TOTAL):
            assert clients.ask(depot).status == 200
        late = clients.connect(depot)
        late.sendall(ASK)
        assert not has_answer(late, 1.5)
        clients.open[3].close()
        assert harness.answer(late.recv(65536)).status == 200
        assert clients.open[4].send(ASK)
        assert harness.answer(clients.open[4].recv(65536)).status == 200


def test_of_many_that_come_at_once_no_more_than_the_total_are_served_at_a_time(
    tmp_path: Path, tree: Path, clients: Clients
) -> None:
    with depot_of(tmp_path, tree, workers=3, connections=TOTAL) as depot:
        waiting = [clients.connect(depot) for _ in range(3 * TOTAL)]
        for one in waiting:
            one.sendall(ASK)
        while waiting:
            wait_until(lambda: sum(map(has_answer, waiting)) == min(TOTAL, len(waiting)))
            time.sleep(0.3)
            served = [one for one in waiting if has_answer(one)]
            assert len(served) == min(TOTAL, len(waiting))
            for one in served:
                assert one.recv(65536).startswith(b"HTTP/1.1 200 ")
                one.close()
                waiting.remove(one)


@pytest.mark.parametrize(("plain", "workers"), [(True, 2), (False, 1)])
def test_an_address_with_too_many_is_told_so_and_no_other_is(
    tmp_path: Path, tree: Path, clients: Clients, *, plain: bool, workers: int
) -> None:
    limits = {"connections_by_address": 3}
    with depot_of(tmp_path, tree, plain=plain, workers=workers, **limits) as depot:
        assert [clients.ask(depot).status for _ in range(3)] == [200, 200, 200]
        refused = clients.ask(depot)
        # RFC 9110 section 15.6.4: when to come again; section 9.6 of RFC 9112: and that it ends.
        assert refused.status == 503
        assert int(refused.get("Retry-After") or 0) > 0
        assert refused.get("Connection") == "close"
        assert clients.open[3].recv(1) == b""
        assert clients.ask(depot, source="127.0.0.2").status == 200
        clients.open[0].close()
        wait_until(lambda: _is_served(clients, depot))
        assert b" 503 " in _access_log_line(depot, " 503 ")


def _is_served(clients: Clients, depot: harness.RunningDepot) -> bool:
    """Try once, and leave nothing behind that counts where it was refused.

    While the depot has not seen the closing of twice as many as it allows, it drops unanswered.
    """
    made = clients.connect(depot)
    with contextlib.suppress(ConnectionError):
        made.sendall(ASK)
        came = made.recv(65536)
        if came and harness.answer(came).status == 200:
            return True
    clients.open.pop().close()
    return False


def _access_log_line(depot: harness.RunningDepot, text: str) -> bytes:
    wait_until(lambda: text in depot.access_log())
    return next(line for line in depot.access_log().splitlines() if text in line).encode()


def test_of_many_that_come_at_once_from_an_address_only_the_surplus_is_refused(
    tmp_path: Path, tree: Path, clients: Clients
) -> None:
    with depot_of(tmp_path, tree, workers=1, connections_by_address=4) as depot:
        os.kill(depot.workers()[0], signal.SIGSTOP)  # so that they are accepted in one go
        came = [clients.connect(depot) for _ in range(8)]
        for one in came:
            one.sendall(ASK)
        os.kill(depot.workers()[0], signal.SIGCONT)
        statuses = [harness.answer(one.recv(65536)).status for one in came]
        assert statuses == [200] * 4 + [503] * 4


def test_an_address_that_says_nothing_on_twice_as_many_gets_no_more(
    tmp_path: Path, tree: Path, clients: Clients
) -> None:
    with depot_of(tmp_path, tree, workers=1, connections_by_address=4) as depot:
        silent = [clients.connect(depot) for _ in range(8)]
        dropped = clients.connect(depot)
        assert dropped.recv(1) == b""
        assert not any(map(has_answer, silent))
        assert clients.ask(depot, source="127.0.0.2").status == 200


def test_connections_in_their_handshake_count(tmp_path: Path, tree: Path) -> None:
    limits = {"connections_by_address": 2}
    with contextlib.ExitStack() as open_ones:
        depot = open_ones.enter_context(depot_of(tmp_path, tree, plain=False, workers=1, **limits))
        for _ in range(4):  # no hello
            open_ones.enter_context(socket.create_connection(("127.0.0.1", depot.port), 30))
        with pytest.raises((ssl.SSLError, OSError)):
            depot.raw(ASK)


def test_a_killed_workers_connections_count_no_more(
    tmp_path: Path, tree: Path, clients: Clients
) -> None:
    limits = {"connections": TOTAL, "connections_by_address": TOTAL}
    with depot_of(tmp_path, tree, **limits) as depot:
        for _ in range(TOTAL):
            assert clients.ask(depot).status == 200
        os.kill(depot.workers()[0], signal.SIGKILL)
        depot.wait_for_log("was ended by SIGKILL")
        wait_until(lambda: any(map(has_answer, clients.open)))
        gone = sum(map(has_answer, clients.open))  # the end of the connection
        assert [clients.ask(depot).status for _ in range(gone)] == [200] * gone
        late = clients.connect(depot)
        late.sendall(ASK)
        assert not has_answer(late, 1)


def test_lowered_limits_cut_nothing_that_is_under_way(
    tmp_path: Path, tree: Path, clients: Clients
) -> None:
    with (tree / "large").open("wb") as file:
        file.truncate(LARGE)
    with depot_of(tmp_path, tree) as depot:
        transfers = [clients.connect(depot) for _ in range(3)]
        for one in transfers:
            one.sendall(harness.get("/large", signed_in=False))
            assert one.recv(10, socket.MSG_WAITALL) == b"HTTP/1.1 2"
        limits = {"connections": TOTAL, "connections_by_address": 2}
        harness.change_settings(depot.home, limits=limits)
        depot.signal(signal.SIGHUP)
        depot.wait_for_log("in force in all")
        assert clients.ask(depot).status == 503
        for one in transfers:
            assert sum(iter(lambda one=one: len(one.recv(1 << 20)), 0)) > LARGE  # type: ignore[misc]
        for one in clients.open:
            one.close()
        wait_until(lambda: _is_served(clients, depot))


class Silent(asyncio.Protocol):
    """Says nothing."""

    transport: asyncio.Transport

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        """Keep the transport."""
        self.transport = transport  # type: ignore[assignment]


def accepting(listening: socket.socket, made: list[Silent]) -> tuple[Acceptor, Census]:
    listening.settimeout(0)
    memory = memoryview(bytearray(Census.SIZE))
    census = Census(memory, [memory])

    def make() -> Silent:
        made.append(Silent())
        return made[-1]

    return Acceptor(listening, Factories(make, make), census, Limits()), census


async def until(true: Any) -> None:
    deadline = time.monotonic() + 20
    while not true():
        assert time.monotonic() < deadline
        await asyncio.sleep(0.01)


async def test_a_socket_in_the_file_system_has_no_address_and_counts(tmp_path: Path) -> None:
    listening = socket.socket(socket.AF_UNIX)
    listening.bind(str(tmp_path / "socket"))
    listening.listen()
    made: list[Silent] = []
    acceptor, census = accepting(listening, made)
    reader, writer = await asyncio.open_unix_connection(str(tmp_path / "socket"))
    await until(lambda: made and hasattr(made[0], "transport"))
    assert (census.count(""), census.total()) == (1, 1)
    made[0].transport.abort()
    assert await reader.read() == b""
    await until(lambda: census.total() == 0)
    assert census.count("") == 0
    writer.close()
    acceptor.close()
    with pytest.raises(ConnectionRefusedError):
        await asyncio.open_unix_connection(str(tmp_path / "socket"))


async def test_a_connection_that_cannot_be_opened_is_closed_told_and_not_counted() -> None:
    told: list[dict[str, Any]] = []
    asyncio.get_running_loop().set_exception_handler(lambda _loop, context: told.append(context))
    listening = socket.create_server(("127.0.0.1", 0))
    listening.settimeout(0)
    memory = memoryview(bytearray(Census.SIZE))
    census = Census(memory, [memory])
    fault = RuntimeError("a fault of a protocol")

    def fail() -> asyncio.Protocol:
        raise fault

    acceptor = Acceptor(listening, Factories(fail, fail), census, Limits())
    reader, writer = await asyncio.open_connection(*listening.getsockname())
    assert await reader.read() == b""
    assert census.total() == 0
    assert [context["exception"] for context in told] == [fault]
    writer.close()
    acceptor.close()


async def test_clients_that_leave_before_they_are_accepted_are_no_fault() -> None:
    listening = socket.create_server(("127.0.0.1", 0))
    for _ in range(5):
        socket.create_connection(listening.getsockname()).close()
    made: list[Silent] = []
    acceptor, census = accepting(listening, made)
    await until(lambda: len(made) == 5)
    await until(lambda: census.total() == 0)
    acceptor.close()


@pytest.mark.parametrize("address", ["127.0.0.1", "::1"])
async def test_a_small_write_waits_for_no_acknowledgement(address: str) -> None:
    # RFC 1122 section 4.2.3.4 coalesces small writes unless that is turned off (TCP_NODELAY of
    # tcp(7)); an answer's head would then wait 40 ms for the client's delayed acknowledgement.
    endpoint = sockets.reserve(Listener(address, 0, "none"))
    listening = endpoint.open()
    made: list[Silent] = []
    acceptor, _ = accepting(listening, made)
    _, writer = await asyncio.open_connection(*listening.getsockname()[:2])
    await until(lambda: made and hasattr(made[0], "transport"))
    accepted = made[0].transport.get_extra_info("socket")
    assert accepted.getsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY)
    writer.close()
    acceptor.close()
