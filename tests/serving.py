"""Depots with mounts and listeners of a test's own, and bytes put to them as they stand."""

from __future__ import annotations

import contextlib
import socket
import sys
import time
from concurrent.futures import ThreadPoolExecutor
from typing import TYPE_CHECKING, Any, Callable

import attrs
import harness

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence
    from pathlib import Path

_AT_ONCE = 16
_FIRST_BYTE = 90.0  # seconds that an answer may take to begin, behind many costly checks
PLAIN = {"address": "127.0.0.1", "port": 0, "tls": "none"}
TLS = {"address": "127.0.0.1", "port": 0, "tls": "modern"}


def mount(url: str, path: Path, users: str | Sequence[str] = "any") -> dict[str, Any]:
    """Write one item of `content` in depot.yaml."""
    return {"url": url, "path": str(path), "users": users if isinstance(users, str) else [*users]}


@contextlib.contextmanager
def serving(
    folder: Path,
    *mounts: dict[str, Any],
    listeners: Sequence[dict[str, Any]] = (PLAIN,),
    workers: int = 1,
    users: str | None = None,
    env: Mapping[str, str] | None = None,
    through: Sequence[str] = (),
    **settings: Any,
) -> Iterator[harness.RunningDepot]:
    """Serve `mounts` from a new home in `folder`; otherwise as `harness.running_depot`.

    `through` is a program, with its arguments, that is given the serving command to run.
    """
    home = harness.make_home(folder / "home", mounts[0]["path"])
    harness.change_settings(
        home, content=[*mounts], listeners=[dict(each) for each in listeners], **settings
    )
    if users is not None:
        (home / "accounts" / "users").write_text(users, encoding="utf-8")
    depot = harness.start(home, workers=workers, env=env, through=through)
    try:
        yield depot
    except BaseException:
        sys.stderr.write(depot.log())
        depot.stop(status=None)
        raise
    depot.stop(status=0 if depot.process.poll() is None else None)


def wait_for(truth: Callable[[], object], *, seconds: float = 20) -> None:
    """Wait until `truth` says so; fail the test when it has not within `seconds`."""
    deadline = time.monotonic() + seconds
    while not truth():
        assert time.monotonic() < deadline, truth
        time.sleep(0.02)


@attrs.frozen
class Received:
    """All that came back on one connection, and whether the depot closed it."""

    data: bytes
    closed: bool

    @property
    def status(self) -> int | None:
        """Give the first answer's status; None where nothing came."""
        return int(self.data.split(b" ", 2)[1]) if self.data.startswith(b"HTTP/1.1 ") else None

    @property
    def answers(self) -> int:
        """Count the status lines; no body of a test holds one."""
        return self.data.count(b"HTTP/1.1 ")


def ask(port: int, request: bytes, *, quiet: float = 15) -> Received:
    """Send `request`; read until close, or `quiet` seconds of silence after the first byte."""
    received, closed = bytearray(), False
    with socket.create_connection(("127.0.0.1", port), timeout=30) as connection:
        try:
            connection.sendall(request)
            deadline = time.monotonic() + _FIRST_BYTE
            while True:
                wait = quiet if received else max(0.01, deadline - time.monotonic())
                connection.settimeout(wait)
                piece = connection.recv(1 << 16)
                if not piece:
                    closed = True
                    break
                received += piece
        except ConnectionError:
            closed = True
        except (TimeoutError, socket.timeout):
            pass
    return Received(bytes(received), closed)


def ask_all(port: int, requests: Mapping[str, bytes], *, quiet: float = 15) -> dict[str, Received]:
    """Put every request to the depot, several at once; give what came, by the same names."""
    with ThreadPoolExecutor(_AT_ONCE) as pool:
        came = pool.map(lambda request: ask(port, request, quiet=quiet), requests.values())
        return dict(zip(requests, came))
