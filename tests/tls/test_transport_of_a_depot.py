"""TLS as a depot's clients meet it: odd arrivals, every kind of ending, slow and greedy readers."""

from __future__ import annotations

import contextlib
import os
import re
import signal
import socket
import ssl
import subprocess
import threading
import time
from pathlib import Path
from typing import TYPE_CHECKING

import harness
import pytest
import serving
from transport_kit import SECONDS, VERSIONS, Client, client_context, wait_for

if TYPE_CHECKING:
    from collections.abc import Iterator

LARGE = os.urandom(24 * 1024 * 1024)
# More than the kernel takes of a body for a client that has a small buffer and reads nothing.
HELD = 6 * 1024 * 1024
LAST = 1_000_000  # bytes, fewer than the kernel takes
BIG = 128 * 1024 * 1024  # bytes, so many that a client has time to say something meanwhile
HUGE = 1024 * 1024 * 1024
HEADER_SECONDS = 4
KEPT = harness.get("/x").replace(b"Connection: close\r\n", b"")
both_versions = pytest.mark.parametrize("newest", VERSIONS, ids=lambda version: version.name)


@pytest.fixture(scope="module")
def depot(tmp_path_factory: pytest.TempPathFactory) -> Iterator[harness.RunningDepot]:
    folder = tmp_path_factory.mktemp("transport")
    root = folder / "tree"
    make_tree(root)
    mount = serving.mount("/", root)
    limits = {"header_seconds": HEADER_SECONDS}
    log = {"format": "combined", "to": "file"}
    with serving.serving(
        folder, mount, listeners=[serving.TLS], limits=limits, access_log=log
    ) as running:
        yield running
        assert "Traceback" not in running.log()


def make_tree(root: Path) -> None:
    root.mkdir()
    (root / "x").write_bytes(b"x")
    (root / "large.bin").write_bytes(LARGE)
    (root / "medium.bin").write_bytes(LARGE[:1_000_000])
    with (root / "huge.iso").open("wb") as file:
        os.truncate(file.fileno(), HUGE)


_mark = iter(range(10**6))


def fresh(target: str) -> str:
    """Give a target that no other line of the log has."""
    return f"{target}?mark-{next(_mark)}"


def line_of(depot: harness.RunningDepot, target: str) -> tuple[int, int, str]:
    """Wait for the log's line of a target; give its status, its bytes and its outcome."""
    found: list[str] = []

    def there() -> bool:
        found[:] = [line for line in depot.access_log().splitlines() if f"{target} " in line]
        return bool(found)

    wait_for(there)
    match = re.search(r'HTTP/1\.1" (\d+) (\d+|-) .* (\S+) -$', found[0])
    assert match, found
    return int(match[1]), int(match[2].replace("-", "0")), match[3]


def body_of(received: bytes) -> bytes:
    return harness.answer(received).body


# Arrivals.


@both_versions
def test_a_request_may_come_byte_by_byte_on_the_wire(
    depot: harness.RunningDepot, newest: ssl.TLSVersion
) -> None:
    with Client(depot.port, client_context(newest)) as client:
        client.shake_hands(client.dribble)
        client.dribble(client.sealed(harness.get("/x")))
        received, ending = client.read_to_end()
    assert (body_of(received), ending) == (b"x", "clean")


@both_versions
def test_a_request_may_come_in_a_record_for_each_byte(
    depot: harness.RunningDepot, newest: ssl.TLSVersion
) -> None:
    with Client(depot.port, client_context(newest)) as client:
        client.shake_hands()
        records = [client.sealed(bytes([octet])) for octet in harness.get("/x")]
        client.socket.sendall(b"".join(records))
        received, ending = client.read_to_end()
    assert (body_of(received), ending) == (b"x", "clean")


@both_versions
def test_the_first_request_may_come_with_the_end_of_the_handshake(
    depot: harness.RunningDepot, newest: ssl.TLSVersion
) -> None:
    with Client(depot.port, client_context(newest)) as client:
        flight = client.last_flight()
        client.socket.sendall(flight + client.sealed(harness.get("/large.bin")))
        received, ending = client.read_to_end()
    assert (body_of(received), ending) == (LARGE, "clean")


@pytest.mark.parametrize("count", [2, 3, 60])
@pytest.mark.parametrize("farewell", ["nothing", "alert", "socket", "both"])
def test_requests_in_one_record_are_all_answered_before_the_end(
    depot: harness.RunningDepot, count: int, farewell: str
) -> None:
    requests = KEPT * (count - 1) + harness.get("/medium.bin")
    with Client(depot.port) as client:
        flight = client.last_flight() + client.sealed(requests)
        if farewell in {"alert", "both"}:
            flight += client.farewell()
        client.socket.sendall(flight)
        if farewell in {"socket", "both"}:
            client.socket.shutdown(socket.SHUT_WR)
        received, ending = client.read_to_end()
    assert ending == "clean"
    assert received.count(b"HTTP/1.1 200") == count
    assert received.endswith(LARGE[:1_000_000])


# The client's endings.


@both_versions
@pytest.mark.parametrize("farewell", ["alert", "socket", "both"])
def test_a_client_that_ends_its_side_gets_the_whole_answer(
    depot: harness.RunningDepot, newest: ssl.TLSVersion, farewell: str
) -> None:
    context = client_context(newest)
    # The end may come before, while and after the request is looked at.
    for pause in (0.0, 0.0, 0.0001, 0.0003, 0.001, 0.003, 0.01, 0.03):
        target = fresh("/large.bin")
        with Client(depot.port, context) as client:
            client.shake_hands().send(harness.get(target).replace(b"close", b"keep-alive"))
            time.sleep(pause)
            if farewell in {"alert", "both"}:
                client.socket.sendall(client.farewell())
            if farewell in {"socket", "both"}:
                client.socket.shutdown(socket.SHUT_WR)
            received, ending = client.read_to_end()
        assert (len(received) > len(LARGE), ending) == (True, "clean"), (pause, len(received))
        assert body_of(received) == LARGE
        assert line_of(depot, target) == (200, len(LARGE), "whole")


def test_a_client_that_says_goodbye_between_requests_is_let_go_politely(
    depot: harness.RunningDepot,
) -> None:
    with Client(depot.port) as client:
        client.shake_hands().send(KEPT)
        assert client.read().endswith(b"x")
        client.socket.sendall(client.farewell())
        assert client.read_to_end() == (b"", "clean")


@both_versions
@pytest.mark.parametrize("how", ["reset", "close"])
@pytest.mark.parametrize("after", [1, 100_000, 3_000_000])
def test_a_client_that_goes_away_within_a_body_is_logged_as_cut_with_what_left(
    depot: harness.RunningDepot, newest: ssl.TLSVersion, how: str, after: int
) -> None:
    target = fresh("/huge.iso")
    with Client(depot.port, client_context(newest), small=True) as client:
        client.shake_hands().send(harness.get(target))
        taken = 0
        while taken < after:
            taken += len(client.read())
        if how == "reset":
            client.reset()
    status, sent, outcome = line_of(depot, target)
    assert (status, outcome) == (200, "cut")
    assert taken - 1000 <= sent <= taken + HELD


@pytest.mark.parametrize("size", [200_000, 1_000_000, 4_000_000, 8_000_000])
def test_no_answer_is_logged_as_whole_that_the_kernel_had_not_taken(
    depot: harness.RunningDepot, size: int
) -> None:
    target = fresh("/large.bin")
    with Client(depot.port, small=True) as client:
        client.shake_hands().send(harness.get(target, f"Range: bytes=0-{size - 1}"))
        time.sleep(1)
        port = client.socket.getsockname()[1]
        under_way = unsent(depot, port) + unread(client)
        client.reset()
    status, sent, outcome = line_of(depot, target)
    assert status == 206
    # A record of 16 KiB carries a head and a tag of 22 bytes.
    assert sent <= under_way
    assert outcome == ("part" if under_way > size else "cut")
    assert (outcome == "part") == (sent == size)


def unsent(depot: harness.RunningDepot, port: int) -> int:
    """Give what the kernel holds unconfirmed on the depot's side (proc(5), `net/tcp`)."""
    ends = f":{depot.port:04X} 0100007F:{port:04X} "
    for line in Path("/proc/net/tcp").read_text().splitlines():
        if ends in line:
            return int(line.split()[4].split(":")[0], 16)
    raise AssertionError(port)


def unread(client: Client) -> int:
    """Give what waits at the client, its handshake excepted."""
    return len(client.socket.recv(1 << 20, socket.MSG_PEEK))


def test_a_client_that_refuses_the_certificate_leaves_no_trace_of_a_fault(
    depot: harness.RunningDepot,
) -> None:
    for newest in VERSIONS:
        stranger = ssl.create_default_context()
        stranger.maximum_version = newest
        for _ in range(10):
            with pytest.raises(ssl.SSLCertVerificationError):
                harness.raw(depot.port, b"", tls=stranger)
    assert "Traceback" not in depot.log()
    assert depot.raw(harness.get("/x")).endswith(b"x")


@pytest.mark.parametrize(
    "garbage",
    [
        harness.get("/x"),
        b"\x55\x55\x55\x55\x55" + os.urandom(999),
        b"\x16\x03\x01\x00\x05\x01\x00\x00\x01\x00",
    ],
    ids=["plain http", "random bytes", "a hello that is none"],
)
def test_what_is_no_tls_is_ended_at_once(depot: harness.RunningDepot, garbage: bytes) -> None:
    with socket.create_connection(("127.0.0.1", depot.port), SECONDS) as plain:
        began = time.monotonic()
        plain.sendall(garbage)
        with contextlib.suppress(ConnectionError):
            while plain.recv(4096):
                pass
        assert time.monotonic() - began < HEADER_SECONDS - 1
    time.sleep(0.1)
    assert "Traceback" not in depot.log()


@pytest.mark.parametrize("stage", ["nothing", "half", "hello"])
def test_a_handshake_is_given_as_long_as_a_head(depot: harness.RunningDepot, stage: str) -> None:
    with Client(depot.port) as client:
        hello = client.hello()
        client.socket.sendall({"nothing": b"", "half": hello[:100], "hello": hello}[stage])
        began = time.monotonic()
        with contextlib.suppress(ConnectionError):
            while client.socket.recv(65536):
                pass
        assert HEADER_SECONDS - 1 < time.monotonic() - began < HEADER_SECONDS + 10


# The server's ending.


@both_versions
@pytest.mark.parametrize("more", ["nothing", "at once", "later"])
@pytest.mark.slow
def test_a_slow_client_gets_the_last_byte_long_after_the_answer_was_logged(
    depot: harness.RunningDepot, newest: ssl.TLSVersion, more: str
) -> None:
    target = fresh("/large.bin")
    with Client(depot.port, client_context(newest), small=True) as client:
        client.shake_hands().send(harness.get(target, f"Range: bytes=0-{LAST - 1}"))
        if more == "at once":
            client.send(KEPT * 50)
        received = read_until_logged(depot, client, target)
        assert line_of(depot, target) == (206, LAST, "part")
        until = time.monotonic() + 6
        while time.monotonic() < until:
            received += client.read()
            time.sleep(0.2)
        if more == "later":
            client.send(KEPT * 50)
        rest, ending = client.read_to_end()
    assert ending == "clean"
    assert body_of(bytes(received) + rest) == LARGE[:LAST]


def read_until_logged(depot: harness.RunningDepot, client: Client, target: str) -> bytearray:
    """Read slowly until the log says that the answer has left; the last of it must be under way."""
    received = bytearray()
    while f"{target} " not in depot.access_log():
        time.sleep(0.4)
        received += client.read()
    assert len(received) < LAST - 100_000
    return received


@pytest.mark.slow
@pytest.mark.parametrize("keep_alive", [False, True])
def test_a_depot_that_ends_leaves_a_slow_client_what_the_kernel_holds(
    tmp_path: Path, *, keep_alive: bool
) -> None:
    make_tree(tmp_path / "tree")
    mount = serving.mount("/", tmp_path / "tree")
    request = harness.get("/large.bin", f"Range: bytes=0-{LAST - 1}")
    if keep_alive:
        request = request.replace(b"Connection: close\r\n", b"")
    with contextlib.ExitStack() as stack:
        served = serving.serving(tmp_path, mount, listeners=[serving.TLS])
        depot = stack.enter_context(served)
        client = stack.enter_context(Client(depot.port, small=True))
        client.shake_hands().send(request)
        received = read_until_logged(depot, client, "/large.bin")
        depot.signal(signal.SIGTERM)
        assert depot.process.wait(SECONDS) == 0
        rest, ending = client.read_to_end()
    assert ending == "clean"
    assert body_of(bytes(received) + rest) == LARGE[:LAST]


# Greedy readers and writers.


@pytest.mark.slow
def test_readers_that_stop_make_the_worker_hold_little(depot: harness.RunningDepot) -> None:
    (worker,) = depot.workers()
    context = client_context()
    with contextlib.ExitStack() as stack:
        clients = [stack.enter_context(Client(depot.port, context, small=True)) for _ in range(50)]
        for client in clients:
            client.shake_hands().send(KEPT)
            assert client.read().endswith(b"x")
        before = resident(worker)
        for client in clients:
            client.send(harness.get(fresh("/huge.iso")))
        time.sleep(3)
        # Two pieces of 64 KiB each, one of them encrypted, and what OpenSSL keeps for writing.
        assert resident(worker) - before < 50 * 512 * 1024
        assert depot.raw(harness.get("/x")).endswith(b"x")


@pytest.mark.slow
def test_connections_that_stay_after_a_large_file_cost_no_more_than_idle_ones(
    depot: harness.RunningDepot,
) -> None:
    (worker,) = depot.workers()
    context = client_context()
    with contextlib.ExitStack() as stack:
        clients = [stack.enter_context(Client(depot.port, context)) for _ in range(120)]
        for number, client in enumerate(clients):
            # The first few fill what the worker keeps for all.
            if number == 20:
                before = resident(worker)
            kept = harness.get("/medium.bin").replace(b"Connection: close\r\n", b"")
            client.shake_hands().send(kept)
            read_body(client, 1_000_000)
        grown = resident(worker) - before
        # A connection's own buffer for what is sent would take 87 KiB.
        assert grown < 100 * 64 * 1024, grown


def read_body(client: Client, length: int) -> None:
    received = client.read()
    while b"\r\n\r\n" not in received:
        received += client.read()
    client.read_exactly(length - len(received.split(b"\r\n\r\n", 1)[1]))


@pytest.mark.parametrize("unit", [KEPT, b"a" * 100, b"\r\n", KEPT[:-2]], ids=range(4))
def test_a_client_that_floods_while_its_answer_is_under_way_is_held_up(
    depot: harness.RunningDepot, unit: bytes
) -> None:
    assert_bounded(depot, harness.get(fresh("/huge.iso")).replace(b"close", b"keep-alive"), unit)


@pytest.mark.parametrize("method", ["HEAD", "GET"])
def test_a_client_that_asks_for_ever_and_reads_nothing_is_held_up(
    depot: harness.RunningDepot, method: str
) -> None:
    assert_bounded(depot, b"", KEPT.replace(b"GET", method.encode()))


def assert_bounded(depot: harness.RunningDepot, first: bytes, unit: bytes) -> None:
    """Send a request and then units without end, read nothing; the worker may not grow much."""
    (worker,) = depot.workers()
    with Client(depot.port, small=True) as client:
        client.shake_hands()
        before = resident(worker)
        if first:
            client.send(first)
        client.socket.settimeout(2)
        sent, until = 0, time.monotonic() + 10
        with contextlib.suppress(TimeoutError, socket.timeout, ConnectionError):
            while sent < 64 << 20 and time.monotonic() < until:
                client.send((unit * (16000 // len(unit)))[:16000])
                sent += 16000
        grown = resident(worker) - before
    assert grown < 6 << 20, (grown, sent)
    assert depot.raw(harness.get("/x")).endswith(b"x")


def resident(pid: int) -> int:
    """Read how much memory a process holds (proc_pid_statm(5))."""
    return int(Path(f"/proc/{pid}/statm").read_text().split()[1]) * os.sysconf("SC_PAGE_SIZE")


# Leaks.


@pytest.mark.slow
def test_five_hundred_endings_leave_no_descriptor_and_little_memory(
    depot: harness.RunningDepot,
) -> None:
    (worker,) = depot.workers()
    context = client_context()
    for number in range(100):
        end_somehow(depot, context, number)
    wait_for(lambda: descriptors(worker) < 100)
    time.sleep(3)
    before, memory = descriptors(worker), resident(worker)
    for number in range(500):
        end_somehow(depot, context, number)
    wait_for(lambda: descriptors(worker) <= before, seconds=60)
    assert resident(worker) - memory < 16 << 20
    assert "Traceback" not in depot.log()


def end_somehow(depot: harness.RunningDepot, context: ssl.SSLContext, number: int) -> None:
    """Make a connection and end it in one of many ways."""
    way = number % 8
    with Client(depot.port, context) as client:
        if way == 0:
            client.socket.sendall(client.hello()[: number % 500])
            return
        client.shake_hands().send(harness.get("/medium.bin") if way % 2 else KEPT)
        if way < 4:
            client.read()
        if way in {2, 3}:
            client.socket.sendall(client.farewell())
        elif way in {4, 5}:
            client.reset()
        elif way == 6:
            client.socket.shutdown(socket.SHUT_WR)
            client.read_to_end()
        else:
            client.socket.sendall(b"garbage" * 100)


def descriptors(pid: int) -> int:
    return len(os.listdir(f"/proc/{pid}/fd"))


# Real peers.


class Talk:
    """`openssl s_client` at a depot, whose commands are lines of its input (s_client(1))."""

    def __init__(self, depot: harness.RunningDepot, folder: Path, *options: str) -> None:
        self.messages = folder / "messages"
        address = f"localhost:{depot.port}"
        command = [harness.need("openssl"), "s_client", "-connect", address, "-msg"]
        command += ["-msgfile", str(self.messages), "-CAfile", str(depot.authority), *options]
        self.process = subprocess.Popen(
            command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.STDOUT
        )
        self.output = bytearray()
        self._reader = threading.Thread(target=self._read, daemon=True)
        self._reader.start()
        wait_for(lambda: b"Verify return code" in self.output)

    def _read(self) -> None:
        assert self.process.stdout
        while piece := os.read(self.process.stdout.fileno(), 1 << 16):
            self.output += piece

    def say(self, text: bytes) -> None:
        """Write at once."""
        assert self.process.stdin
        self.process.stdin.write(text)
        self.process.stdin.flush()

    def said(self, name: str) -> int:
        """Count the messages of a name that came from the server."""
        lines = self.messages.read_text(errors="replace").splitlines()
        return sum(line.startswith("<<<") and name in line for line in lines)

    def __enter__(self) -> Talk:  # noqa: PYI034 - Self is younger than Python 3.9
        """Let the block talk."""
        return self

    def __exit__(self, *_: object) -> None:
        """End the process."""
        self.process.kill()
        self.process.wait()
        self._reader.join()
        for stream in (self.process.stdin, self.process.stdout):
            assert stream
            with contextlib.suppress(BrokenPipeError):
                stream.close()


def test_renegotiation_is_refused_and_the_client_told(
    depot: harness.RunningDepot, tmp_path: Path
) -> None:
    with Talk(depot, tmp_path, "-tls1_2") as talk:
        talk.say(b"R\n")
        wait_for(lambda: b"RENEGOTIATING" in talk.output)
        wait_for(lambda: "no_renegotiation" in talk.messages.read_text(errors="replace"))
        assert talk.process.wait(SECONDS) is not None
    assert depot.raw(harness.get("/x")).endswith(b"x")


@pytest.mark.parametrize(("command", "answered"), [(b"k\n", False), (b"K\n", True)])
def test_openssl_may_change_its_keys_between_requests(
    depot: harness.RunningDepot, tmp_path: Path, command: bytes, *, answered: bool
) -> None:
    with Talk(depot, tmp_path, "-tls1_3") as talk:
        for number in (1, 2, 3):
            talk.say(command)
            wait_for(lambda: talk.output.count(b"KEYUPDATE") == number)  # noqa: B023
            # An input of its own, or it would be read with the command and dropped.
            time.sleep(0.2)
            talk.say(KEPT)
            wait_for(lambda: talk.output.count(b"HTTP/1.1 200") == number)  # noqa: B023
        assert (talk.said("KeyUpdate") > 0) == answered


def test_openssl_may_change_its_keys_many_times(
    depot: harness.RunningDepot, tmp_path: Path
) -> None:
    with Talk(depot, tmp_path, "-tls1_3") as talk:
        for number in range(1, 61):
            talk.say(b"kK"[number % 2 : number % 2 + 1] + b"\n")
            wait_for(lambda: talk.output.count(b"KEYUPDATE") == number)  # noqa: B023
        time.sleep(0.2)
        talk.say(KEPT)
        wait_for(lambda: b"HTTP/1.1 200" in talk.output)
        # All were asked for before the request; half of them in return for one of ours.
        assert talk.said("KeyUpdate") == 30


@pytest.mark.parametrize("command", [b"k\n", b"K\n"])
def test_openssl_may_change_its_keys_within_a_body(
    depot: harness.RunningDepot, tmp_path: Path, command: bytes
) -> None:
    part = b"\r\nRange: bytes=0-%d\r\n\r\n" % (BIG - 1)
    with Talk(depot, tmp_path, "-tls1_3") as talk:
        talk.say(KEPT.replace(b"/x", b"/huge.iso").replace(b"\r\n\r\n", part))
        wait_for(lambda: b"HTTP/1.1 206" in talk.output)
        for number in (1, 2, 3):
            talk.say(command)
            wait_for(lambda: talk.output.count(b"KEYUPDATE") == number)  # noqa: B023
        wait_for(lambda: talk.output.count(b"\0") == BIG)
        assert talk.output.count(b"\0", talk.output.index(b"KEYUPDATE")) > 0
        talk.say(KEPT)
        wait_for(lambda: b"HTTP/1.1 200" in talk.output)


@pytest.mark.parametrize("version", [["--tls-max", "1.2"], ["--tlsv1.3"]], ids=["1.2", "1.3"])
def test_curl_fetches_whole_files_one_after_the_other(
    depot: harness.RunningDepot, tmp_path: Path, version: list[str]
) -> None:
    account = tmp_path / "netrc"
    account.write_text(f"machine localhost login {depot.user} password {depot.passphrase}\n")
    command = [harness.need("curl"), "-q", "-sS", "--fail", "--max-time", "60", *version]
    command += ["--cacert", str(depot.authority), "--netrc-file", str(account)]
    for name in ("large.bin", "medium.bin", "x"):
        command += ["-o", str(tmp_path / name), f"{depot.url}{name}"]
    done = subprocess.run(
        [*command, "-w", "%{num_connects} "], capture_output=True, timeout=120, check=False
    )
    assert done.returncode == 0, done.stderr
    assert done.stdout.split() == [b"1", b"0", b"0"]
    assert (tmp_path / "large.bin").read_bytes() == LARGE
    assert (tmp_path / "medium.bin").read_bytes() == LARGE[:1_000_000]
