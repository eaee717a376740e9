from __future__ import annotations

import contextlib
import json
import os
import socket
import subprocess
import sys
from pathlib import Path
from typing import Any

import attrs
import harness
import pytest

from depotserve.config import Listener
from depotserve.errors import CallerError
from depotserve.process.activation import assign, descriptors

# Source: service_manager.json; systemd 252 man page sd_listen_fds(3).
VECTORS: dict[str, Any] = json.loads(
    (Path(__file__).parents[1] / "standards" / "service_manager.json").read_text()
)
PID = 4711
# What a service manager does: put the sockets at 3 and up, set the variables, become the program.
MANAGER = """
import os, sys
count, pid, *command = sys.argv[1:]
environ = {**os.environ, "LISTEN_FDS": count, "LISTEN_PID": pid or str(os.getpid())}
environ["LISTEN_FDNAMES"] = "depot"
os.execve(command[0], command, environ)
"""


@pytest.mark.parametrize(("row", "expected"), VECTORS["listen_fds"]["cases"])
def test_descriptors_are_counted_as_the_manual_says(row: dict[str, str], expected: Any) -> None:
    stands_for = {"<own>": str(PID), "<other>": str(PID + 1)}
    environ = {name: stands_for.get(value, value) for name, value in row.items()}
    if isinstance(expected, str):
        with pytest.raises(CallerError, match="LISTEN_"):
            descriptors(environ, PID)
    else:
        assert list(descriptors(environ, PID)) == expected


SECURE = Listener("127.0.0.1", 8443)
PLAIN = Listener("127.0.0.1", 8080, tls="none")
SENDS_ON = Listener("::1", 80, tls="redirect")


def test_a_socket_stands_for_the_listener_at_its_place() -> None:
    listeners = [SECURE, PLAIN, SENDS_ON]
    places = [("0:0:0:0:0:0:0:1", 80), ("127.0.0.1", 8443), ("127.0.0.1", 8080)]
    modes = [one.tls for one in assign(places, listeners)]
    assert modes == ["redirect", "modern", "none"]


def test_sockets_elsewhere_take_the_listeners_that_are_left_in_order() -> None:
    places = [("127.0.0.1", 1111), ("127.0.0.1", 8443), None, ("127.0.0.1", 3333)]
    chosen = assign(places, [SECURE, PLAIN, SENDS_ON])
    assert [one.tls for one in chosen] == ["none", "modern", "redirect", "modern"]
    assert [(one.address, one.port) for one in chosen[:2]] == [places[0], places[1]]
    assert chosen[0] == attrs.evolve(PLAIN, port=1111)


def start(
    home: Path, handed_over: list[int], *, pid: str = "", count: int | None = None
) -> subprocess.Popen[bytes]:
    """Start a depot as a service manager would, with these descriptors at 3 and up."""
    count = len(handed_over) if count is None else count
    command = harness.command("serve", "--home", home, "--workers", "2")
    saved = [os.dup(each) for each in handed_over]

    def place() -> None:
        # Out of the way first, then each to its number.
        high = [os.dup2(each, 100 + at) for at, each in enumerate(saved)]
        for at, each in enumerate(high):
            os.dup2(each, 3 + at)

    process = subprocess.Popen(
        [sys.executable, "-c", MANAGER, str(count), pid, *command],
        preexec_fn=place,  # noqa: PLW1509  # no thread of the test's holds a lock here
        close_fds=False,
        stdin=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
        env=harness.environment(None),
    )
    for each in saved:
        os.close(each)
    return process


def say(process: subprocess.Popen[bytes], wanted: str = "listening on") -> str:
    """Read the log up to a line that holds `wanted`."""
    assert process.stderr
    lines = ""
    while wanted not in lines:
        line = process.stderr.readline().decode()
        assert line, lines
        lines += line
    return lines


def end(process: subprocess.Popen[bytes]) -> str:
    process.terminate()
    _, rest = process.communicate(timeout=60)
    assert process.returncode == 0, rest
    return rest.decode()


def listening(family: int, address: Any) -> socket.socket:
    made = socket.socket(family, socket.SOCK_STREAM)
    made.bind(address)
    made.listen(16)
    return made


REQUEST = harness.get("/f26.bin")


@pytest.mark.parametrize(
    ("family", "address"), [(socket.AF_INET, "127.0.0.1"), (socket.AF_INET6, "::1")]
)
def test_a_handed_over_socket_is_served_and_the_configured_port_is_not(
    home: Path, family: int, address: str
) -> None:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        configured = probe.getsockname()[1]
    harness.change_settings(home, listeners=[{"address": "127.0.0.1", "port": configured}])
    with listening(family, (address, 0)) as given:
        port = given.getsockname()[1]
        process = start(home, [given.fileno()])
        shown = f"[{address}]" if ":" in address else address
        assert f"listening on https://{shown}:{port}\n" in say(process)
        context = harness.ssl.create_default_context(cafile=str(home / "tls" / "authority.pem"))
        received = harness.raw(port, REQUEST, tls=context, address=address)
        assert received.endswith(b"abcdefghijklmnopqrstuvwxyz")
        with pytest.raises(ConnectionRefusedError):
            harness.raw(configured, REQUEST)
        environs = [
            Path(f"/proc/{pid}/environ").read_bytes()
            for pid in (process.pid, *harness.children(process.pid))
        ]
        assert len(environs) == 3
        assert not any(b"LISTEN_" in environ for environ in environs)
        assert all(b"PATH=" in environ for environ in environs)
        end(process)


def test_a_handed_over_unix_socket_is_served(home: Path, tmp_path: Path) -> None:
    harness.change_settings(home, listeners=[{"address": "127.0.0.1", "port": 0, "tls": "none"}])
    path = str(tmp_path / "depot.socket")
    with listening(socket.AF_UNIX, path) as given:
        process = start(home, [given.fileno()])
        assert f"listening on http+unix:{path}\n" in say(process)
        with socket.socket(socket.AF_UNIX) as client:
            client.connect(path)
            client.sendall(REQUEST)
            assert harness.read_all(client).endswith(b"abcdefghijklmnopqrstuvwxyz")
        end(process)


def test_two_handed_over_sockets_are_both_served_each_in_its_way(home: Path) -> None:
    harness.change_settings(
        home,
        listeners=[
            {"address": "127.0.0.1", "port": 0},
            {"address": "127.0.0.1", "port": 0, "tls": "none"},
        ],
    )
    with (
        listening(socket.AF_INET, ("127.0.0.1", 0)) as first,
        listening(socket.AF_INET, ("127.0.0.1", 0)) as second,
    ):
        process = start(home, [first.fileno(), second.fileno()])
        secure, plain = first.getsockname()[1], second.getsockname()[1]
        assert f"https://127.0.0.1:{secure}" in say(process, f"http://127.0.0.1:{plain}")
        context = harness.ssl.create_default_context(cafile=str(home / "tls" / "authority.pem"))
        assert b" 200 OK\r\n" in harness.raw(secure, REQUEST, tls=context)
        assert b" 200 OK\r\n" in harness.raw(plain, REQUEST)
        end(process)


def test_the_managers_socket_still_accepts_after_the_depot_ended(home: Path) -> None:
    with listening(socket.AF_INET, ("127.0.0.1", 0)) as given:
        port = given.getsockname()[1]
        for _ in range(2):
            process = start(home, [given.fileno()])
            say(process)
            context = harness.ssl.create_default_context(cafile=str(home / "tls" / "authority.pem"))
            assert b" 200 OK\r\n" in harness.raw(port, REQUEST, tls=context)
            end(process)
        # Its manager may start it again for this one: the connection waits, it is not refused.
        with socket.create_connection(("127.0.0.1", port), 5):
            pass


def test_sockets_for_another_process_are_left_alone(home: Path) -> None:
    with listening(socket.AF_INET, ("127.0.0.1", 0)) as given:
        process = start(home, [given.fileno()], pid="1")
        assert f":{given.getsockname()[1]}" not in say(process)
        end(process)


def open_what(kind: str, tmp_path: Path) -> Any:
    """Open something that a service manager should not have handed over."""
    if kind == "file":
        return (tmp_path / "file").open("w+b")
    if kind == "datagram":
        return socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
    connected, other = socket.socketpair()
    other.close()
    return connected


@pytest.mark.parametrize("kind", ["file", "datagram", "connected"])
def test_a_descriptor_that_is_no_listening_socket_is_named(
    home: Path, tmp_path: Path, kind: str
) -> None:
    with contextlib.ExitStack() as stack:
        given = [stack.enter_context(open_what(kind, tmp_path)).fileno()]
        process = start(home, given, count=1)
        _, said = process.communicate(timeout=30)
    assert process.returncode == 2
    lines = said.decode().splitlines()
    wrong = "descriptor 3, which LISTEN_FDS hands over, is no listening stream socket"
    assert lines == [f"depotserve: {wrong}; a socket unit needs ListenStream= and Accept=no"]


def test_a_handed_over_socket_does_not_get_around_the_rule_on_clear_text(home: Path) -> None:
    harness.change_settings(home, listeners=[{"address": "127.0.0.1", "port": 0, "tls": "none"}])
    with listening(socket.AF_INET, ("0.0.0.0", 0)) as given:  # noqa: S104
        process = start(home, [given.fileno()])
        _, said = process.communicate(timeout=30)
    assert process.returncode == 2
    assert b"would take passwords in clear text; allowed with i_accept_cleartext" in said
