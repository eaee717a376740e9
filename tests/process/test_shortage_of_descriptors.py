from __future__ import annotations

import contextlib
import errno
import logging
import os
import resource
import socket
import time
from pathlib import Path
from typing import TYPE_CHECKING

import harness
from process_kit import wait_until

from depotserve.process.faults import (
    LoopFaults,
    raise_descriptor_limit,
    why_fewer_connections,
)

if TYPE_CHECKING:
    import pytest

MOST = 64  # descriptors of each process, as ../shared cases, E03, has it
IDLE = 200  # connections that send nothing


def cpu_seconds(pid: int) -> float:
    """Give the processor time that a process has used; proc(5), utime and stime."""
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


# ../shared cases, E03: at the limit nothing spins, the log stays small, and it passes.
def test_a_depot_without_descriptors_waits_quietly_and_recovers(home: Path) -> None:
    limits = {"header_seconds": 30}  # the idle ones must still be there when time is taken
    harness.change_settings(home, limits=limits)
    through = [harness.need("prlimit"), f"--nofile={MOST}:{MOST}"]
    depot = harness.start(home, workers=1, through=through)
    worker = depot.workers()[0]
    with contextlib.ExitStack() as stack:
        for _ in range(IDLE):
            stack.enter_context(socket.create_connection(("127.0.0.1", depot.port), 30))
        depot.wait_for_log(rf"WARNING no descriptor is left .*\(limit {MOST};")
        before = cpu_seconds(worker)
        time.sleep(6)
        used = cpu_seconds(worker) - before
    assert used < 3, used  # half of one core
    assert depot.log().count("no descriptor is left") == 1
    assert len(depot.log().splitlines()) < 20
    assert "Traceback" not in depot.log()
    wait_until(lambda: b" 200 OK\r\n" in ask(depot))
    depot.stop()


def ask(depot: harness.RunningDepot) -> bytes:
    with contextlib.suppress(OSError):
        return depot.raw(harness.get("/x"))
    return b""


def test_a_soft_limit_is_lifted_towards_the_hard_one(home: Path) -> None:
    through = [harness.need("prlimit"), "--nofile=100:5000"]
    depot = harness.start(home, workers=1, through=through)
    assert resource.prlimit(depot.workers()[0], resource.RLIMIT_NOFILE) == (5000, 5000)
    depot.stop()


def test_a_limit_is_never_lowered() -> None:
    before = resource.getrlimit(resource.RLIMIT_NOFILE)
    raise_descriptor_limit()
    after = resource.getrlimit(resource.RLIMIT_NOFILE)
    try:
        assert after[0] >= before[0]
        assert after[1] == before[1]
    finally:
        resource.setrlimit(resource.RLIMIT_NOFILE, before)


def test_too_few_descriptors_for_the_connections_of_the_settings_are_told_at_the_start(
    home: Path,
) -> None:
    harness.change_settings(home, limits={"connections": 100})
    for most, possible in ((231, 99), (232, None)):
        through = [harness.need("prlimit"), f"--nofile={most}:{most}"]
        depot = harness.start(home, workers=1, through=through)
        depot.stop()
        told = f"WARNING limits.connections is 100, but {most} descriptors a process are enough for"
        assert (f"{told} {possible} (LimitNOFILE=" in depot.log()) == (possible is not None)


def test_descriptors_of_all_workers_count_together() -> None:
    limit = resource.getrlimit(resource.RLIMIT_NOFILE)[0]
    assert why_fewer_connections(limit, 2) != ""
    assert why_fewer_connections(limit, 4) == ""


def told(caplog: pytest.LogCaptureFixture) -> list[tuple[str, str]]:
    found = [(record.levelname, record.getMessage()) for record in caplog.records]
    caplog.clear()
    return found


def test_the_same_fault_is_told_once_a_minute_with_the_number_since(
    caplog: pytest.LogCaptureFixture,
) -> None:
    now = [0.0]
    faults = LoopFaults(lambda: now[0])
    shortage = {"message": "socket.accept()", "exception": OSError(errno.ENFILE, "full")}
    for _ in range(1000):
        faults(None, shortage)  # type: ignore[arg-type]  # the loop is not looked at
    line = "the whole machine has no descriptor left; new connections wait"
    assert told(caplog) == [("WARNING", line)]
    now[0] = 61.0
    faults(None, shortage)  # type: ignore[arg-type]
    assert told(caplog) == [("WARNING", f"{line} (999 times since last said)")]


def test_a_client_that_goes_away_is_no_fault(caplog: pytest.LogCaptureFixture) -> None:
    caplog.set_level(logging.INFO)
    for fault in (ConnectionResetError(), TimeoutError(), EOFError(), BrokenPipeError()):
        LoopFaults()(None, {"message": "fatal", "exception": fault})  # type: ignore[arg-type]
    assert told(caplog) == []


def test_an_unforeseen_fault_is_one_line_with_its_place(caplog: pytest.LogCaptureFixture) -> None:
    try:
        int("x")
    except ValueError as fault:
        LoopFaults()(None, {"message": "task failed", "exception": fault})  # type: ignore[arg-type]
    ((level, line),) = told(caplog)
    assert level == "ERROR"
    assert line.startswith("task failed: ValueError: invalid literal")
    assert __file__ in line
