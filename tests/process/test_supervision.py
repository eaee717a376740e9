from __future__ import annotations

import contextlib
import os
import signal
import socket
import subprocess
import threading
import time
from pathlib import Path
from typing import TYPE_CHECKING

import harness
import pytest
from process_kit import wait_until

if TYPE_CHECKING:
    from collections.abc import Iterator

PACED_SECONDS = 10.0
PACED_BYTES = 40 << 20
PIECE = 1 << 16


@pytest.fixture
def depot(home: Path, tree: Path) -> Iterator[harness.RunningDepot]:
    """Serve the home, with one file that takes a while, in three workers."""
    with (tree / "large.bin").open("wb") as file:
        file.truncate(PACED_BYTES)
        file.seek(-3, os.SEEK_END)
        file.write(b"END")
    running = harness.start(home, workers=3)
    try:
        yield running
    finally:
        running.stop(status=None)


def is_served(depot: harness.RunningDepot) -> bool:
    with contextlib.suppress(OSError):
        return b" 200 OK\r\n" in depot.raw(harness.get("/x"), silence=10)
    return False


class Load:
    """Clients that ask for small files over new connections until told to stop."""

    def __init__(self, depot: harness.RunningDepot, clients: int = 4) -> None:
        self.good, self.bad = 0, 0
        self._depot, self._stop = depot, threading.Event()
        self._threads = [threading.Thread(target=self._ask) for _ in range(clients)]
        for thread in self._threads:
            thread.start()

    def _ask(self) -> None:
        while not self._stop.is_set():
            if is_served(self._depot):
                self.good += 1
            else:
                self.bad += 1
                time.sleep(0.02)

    def end(self) -> None:
        """Stop asking."""
        self._stop.set()
        for thread in self._threads:
            thread.join()


def test_a_killed_worker_is_replaced_within_seconds_under_load(
    depot: harness.RunningDepot,
) -> None:
    load = Load(depot)
    victims = depot.workers()
    for victim in victims:
        os.kill(victim, signal.SIGKILL)
        wait_until(lambda: len(depot.workers()) == 3, 5)
        time.sleep(0.5)
    before, bad = load.good, load.bad
    wait_until(lambda: load.good > before + 20)
    assert load.bad == bad  # all is well again, not merely some of it
    load.end()
    assert not set(victims) & set(depot.workers())
    said = depot.wait_for_log(r"ERROR worker \d \(process \d+\) was ended by SIGKILL", times=3)
    assert said.count("another begins now") == 3


def test_a_worker_that_dies_again_and_again_is_replaced_ever_more_slowly(
    depot: harness.RunningDepot,
) -> None:
    for times in range(1, 4):
        wait_until(lambda: len(depot.workers()) == 3)
        newest = max(depot.workers())
        os.kill(newest, signal.SIGKILL)
        depot.wait_for_log("another begins", times=times)
    said = depot.log()
    assert [said.count(text) for text in ("begins now", "begins in 1 s", "begins in 2 s")] == [
        1
    ] * 3
    assert is_served(depot)


def test_workers_end_when_the_supervisor_is_killed(depot: harness.RunningDepot) -> None:
    workers = depot.workers()
    load = Load(depot)
    depot.signal(signal.SIGKILL)
    depot.process.wait(10)
    wait_until(lambda: not any(Path(f"/proc/{pid}").exists() for pid in workers), 10)
    load.end()
    with pytest.raises(ConnectionRefusedError):
        socket.create_connection(("127.0.0.1", depot.port), 5)


# A debugger or a full machine may hold a worker up; end of file must do where no signal counts.
def test_a_worker_ends_by_itself_when_the_channel_is_closed(depot: harness.RunningDepot) -> None:
    workers = depot.workers()
    for pid in workers:
        os.kill(pid, signal.SIGSTOP)
    depot.signal(signal.SIGKILL)
    depot.process.wait(10)
    for pid in workers:
        with contextlib.suppress(ProcessLookupError):
            os.kill(pid, signal.SIGCONT)
    wait_until(lambda: not any(Path(f"/proc/{pid}").exists() for pid in workers), 10)


class Paced:
    """A download that its client stretches over some seconds."""

    def __init__(self, depot: harness.RunningDepot, seconds: float) -> None:
        self.received, self.ended_well = 0, False
        self.began = threading.Event()
        self._depot, self._pause = depot, seconds / (PACED_BYTES / PIECE)
        self._thread = threading.Thread(target=self._fetch)
        self._thread.start()
        assert self.began.wait(20)

    def _fetch(self) -> None:
        body = b""
        with (
            contextlib.suppress(OSError),
            harness.connected(self._depot.port, tls=self._depot.context()) as secure,
        ):
            secure.sendall(harness.get("/large.bin"))
            body = secure.recv(PIECE).partition(b"\r\n\r\n")[2]
            begun = time.monotonic()
            self.began.set()
            self.received = len(body)
            while piece := secure.recv(PIECE):
                self.received += len(piece)
                body = body[-3:] + piece
                ahead = self.received / PIECE * self._pause - (time.monotonic() - begun)
                time.sleep(max(0.0, ahead))
        self.ended_well = self.received == PACED_BYTES and body.endswith(b"END")

    def join(self) -> None:
        """Wait for its end, good or bad."""
        self._thread.join(60)
        assert not self._thread.is_alive()


@pytest.mark.slow
def test_a_download_under_way_is_finished_after_sigterm_and_new_connections_are_refused(
    depot: harness.RunningDepot,
) -> None:
    download = Paced(depot, PACED_SECONDS)
    time.sleep(0.5)
    depot.signal(signal.SIGTERM)
    depot.wait_for_log("INFO stopping")
    time.sleep(0.5)
    for _ in range(40):
        with pytest.raises(ConnectionRefusedError):
            socket.create_connection(("127.0.0.1", depot.port), 5)
    assert depot.process.poll() is None
    assert download.received < PACED_BYTES
    download.join()
    assert download.ended_well
    assert depot.process.wait(20) == 0
    assert "ERROR" not in depot.log()


def test_a_second_sigterm_cuts_short(depot: harness.RunningDepot) -> None:
    download = Paced(depot, 60.0)
    depot.signal(signal.SIGTERM)
    depot.wait_for_log("INFO stopping")
    depot.signal(signal.SIGTERM)
    assert depot.process.wait(10) == 0
    download.join()
    assert not download.ended_well
    assert "what is under way is cut" in depot.log()


def test_a_download_longer_than_the_drain_is_cut_then(
    home: Path, depot: harness.RunningDepot
) -> None:
    harness.change_settings(home, drain=1)
    depot.signal(signal.SIGHUP)
    depot.wait_for_log("in force in all 3 workers")
    download = Paced(depot, 60.0)
    began = time.monotonic()
    depot.signal(signal.SIGTERM)
    assert depot.process.wait(10) == 0
    assert time.monotonic() - began < 5
    download.join()
    assert not download.ended_well


def test_a_worker_that_hangs_does_not_hold_up_the_end(
    home: Path, depot: harness.RunningDepot
) -> None:
    harness.change_settings(home, drain=0)
    depot.signal(signal.SIGHUP)
    depot.wait_for_log("in force in all 3 workers")
    os.kill(depot.workers()[0], signal.SIGSTOP)
    depot.signal(signal.SIGTERM)
    assert depot.process.wait(20) == 0
    assert "WARNING 1 workers did not end in time and are killed" in depot.log()


# ../shared cases, X03.
@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_an_idle_connection_does_not_hold_up_the_end_and_the_port_is_free_at_once(
    depot: harness.RunningDepot, number: signal.Signals
) -> None:
    with harness.connected(depot.port, tls=depot.context()) as idle:
        idle.sendall(harness.get("/x").replace(b"Connection: close\r\n", b""))
        assert b" 200 OK\r\n" in idle.recv(65536)
        depot.signal(number)
        assert depot.process.wait(5) == 0
    with socket.socket() as again:
        again.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        again.bind(("127.0.0.1", depot.port))
        again.listen()
    assert "Traceback" not in depot.log()


def test_an_interrupt_at_the_terminal_reaches_all_and_still_lets_transfers_finish(
    depot: harness.RunningDepot,
) -> None:
    download = Paced(depot, 3.0)
    for pid in (*depot.workers(), depot.pid):  # as a terminal does, to the whole group
        os.kill(pid, signal.SIGINT)
    download.join()
    assert download.ended_well
    assert depot.process.wait(20) == 0


def test_the_access_log_is_opened_anew_on_request_by_every_worker(
    depot: harness.RunningDepot,
) -> None:
    log = depot.home / "log" / "access.log"
    for _ in range(40):
        assert is_served(depot)
    wait_until(lambda: depot.access_log().count("\n") == 40)
    old = log.rename(log.with_name("access.log.1"))
    assert all(holds(pid, old) for pid in depot.workers())
    depot.signal(signal.SIGUSR1)
    wait_until(lambda: not any(holds(pid, old) for pid in depot.workers()))
    for _ in range(40):
        assert is_served(depot)
    wait_until(lambda: depot.access_log().count("\n") == 40)
    assert old.read_text().count("\n") == 40


def holds(pid: int, file: Path) -> bool:
    """Tell whether a process has a file open."""
    return any(os.path.realpath(entry) == str(file) for entry in Path(f"/proc/{pid}/fd").iterdir())


def test_the_log_is_lines_with_a_level(depot: harness.RunningDepot) -> None:
    lines = depot.log().splitlines()
    assert lines
    assert all(line.split(" ")[0] in {"INFO", "WARNING", "ERROR"} for line in lines), lines


# sd-daemon(3): levels before the lines, only where the journal itself reads them.
@pytest.mark.parametrize("right", [True, False])
def test_levels_for_the_journal_are_written_for_the_journal_alone(
    home: Path, tmp_path: Path, *, right: bool
) -> None:
    said = tmp_path / "said"
    (home / "tls" / "server.key").chmod(0o644)  # a warning
    with said.open("w+b") as stream:
        status = os.fstat(stream.fileno())
        inode = status.st_ino if right else status.st_ino + 1
        process = subprocess.Popen(
            harness.command("serve", "--home", home),
            stderr=stream,
            env=harness.environment({"JOURNAL_STREAM": f"{status.st_dev}:{inode}"}),
        )
        wait_until(lambda: "listening on" in said.read_text())
        process.terminate()
        assert process.wait(20) == 0
    first = {line.partition(" ")[0] for line in said.read_text().splitlines()}
    assert first == ({"<6>INFO", "<4>WARNING"} if right else {"INFO", "WARNING"})


def test_a_request_that_came_just_before_the_end_still_gets_its_answer(
    depot: harness.RunningDepot,
) -> None:
    with contextlib.ExitStack() as stack:
        tls = depot.context()
        clients = [stack.enter_context(harness.connected(depot.port, tls=tls)) for _ in range(40)]
        for client in clients:
            client.sendall(harness.get("/x"))
        depot.signal(signal.SIGTERM)
        answers = [harness.read_all(client, silence=10) for client in clients]
        assert depot.process.wait(20) == 0
    # One that no worker had taken from the kernel yet is closed without a word; none is cut short.
    whole = [answer for answer in answers if b" 200 OK\r\n" in answer and answer.endswith(b"x")]
    assert len(whole) == len([answer for answer in answers if answer])
    assert whole
