from __future__ import annotations

import json
import os
import signal
import socket
from pathlib import Path
from typing import TYPE_CHECKING, Any

import harness
import pytest

from depotserve.errors import CallerError
from depotserve.process.notify import Notifier, watchdog_seconds

if TYPE_CHECKING:
    from collections.abc import Iterator

# Source: service_manager.json; systemd 252 man pages sd_notify(3), sd_watchdog_enabled(3).
VECTORS: dict[str, Any] = json.loads(
    (Path(__file__).parents[1] / "standards" / "service_manager.json").read_text()
)
PID = 4711


def environment(row: dict[str, str]) -> dict[str, str]:
    stands_for = {"<own>": str(PID), "<other>": str(PID + 1)}
    return {name: stands_for.get(value, value) for name, value in row.items()}


@pytest.mark.parametrize(("row", "expected"), VECTORS["watchdog"]["cases"])
def test_the_watchdogs_time_is_read_as_the_manual_says(row: dict[str, str], expected: Any) -> None:
    if expected == "error":
        with pytest.raises(CallerError, match="WATCHDOG_USEC"):
            watchdog_seconds(environment(row), PID)
    else:
        assert watchdog_seconds(environment(row), PID) * 1e6 == expected


@pytest.fixture(params=["path", "abstract"])
def manager(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[tuple[socket.socket, str]]:
    """Listen where a service manager would, and give NOTIFY_SOCKET."""
    path = str(tmp_path / "notify") if request.param == "path" else f"@depot-{os.getpid()}-notify"
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as listening:
        listening.bind(path.replace("@", "\0", 1) if path.startswith("@") else path)
        listening.settimeout(30)
        yield listening, path


def test_a_message_is_one_datagram_of_lines(manager: tuple[socket.socket, str]) -> None:
    listening, path = manager
    Notifier({"NOTIFY_SOCKET": path}, PID).send("READY=1", "STATUS=here")
    assert listening.recv(4096) == b"READY=1\nSTATUS=here"


def test_without_a_manager_nothing_happens_and_nothing_fails(tmp_path: Path) -> None:
    for environ in ({}, {"NOTIFY_SOCKET": ""}, {"NOTIFY_SOCKET": str(tmp_path / "gone")}):
        Notifier(environ, PID).send("READY=1")


def test_the_sign_of_life_is_sent_every_half_of_the_watchdogs_time(
    manager: tuple[socket.socket, str],
) -> None:
    listening, path = manager
    notifier = Notifier({"NOTIFY_SOCKET": path, "WATCHDOG_USEC": "30000000"}, PID)
    for now in (100.0, 101.0, 114.9, 115.0, 129.0, 130.1):
        notifier.keep_alive(now)
    listening.settimeout(0.2)
    assert [listening.recv(4096) for _ in range(3)] == [b"WATCHDOG=1"] * 3
    with pytest.raises(socket.timeout):  # another class in Python 3.9
        listening.recv(4096)


def test_a_depot_tells_its_manager_of_its_whole_life(
    manager: tuple[socket.socket, str], tmp_path: Path, tree: Path
) -> None:
    listening, path = manager
    environ = {"NOTIFY_SOCKET": path, "WATCHDOG_USEC": "400000"}
    with harness.running_depot(tmp_path, tree, workers=2, env=environ) as depot:
        assert until(listening, b"READY=1")
        assert until(listening, b"WATCHDOG=1")
        depot.signal(signal.SIGHUP)
        reloading = until(listening, b"RELOADING=1")
        assert b"MONOTONIC_USEC=" in reloading
        assert until(listening, b"READY=1")
        assert until(listening, b"WATCHDOG=1")
    assert b"EXTEND_TIMEOUT_USEC=" in until(listening, b"STOPPING=1")


def test_a_manager_is_told_how_long_the_certificate_is_good_for(
    manager: tuple[socket.socket, str], tmp_path: Path, tree: Path
) -> None:
    listening, path = manager
    with harness.running_depot(tmp_path, tree, env={"NOTIFY_SOCKET": path}):
        told = until(listening, b"STATUS=the certificate")
    # tls.leaf: 825 days, 30 of them over, the last second not included.
    assert told == b"STATUS=the certificate is good for 794 days"


def until(listening: socket.socket, wanted: bytes) -> bytes:
    """Receive up to the message that begins with `wanted`."""
    message = b""
    while not message.startswith(wanted):
        message = listening.recv(4096)
    return message
