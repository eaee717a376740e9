"""What tests share: a real depot in a process of its own, raw sockets, and peers.

A test asks for a depot with `with running_depot(...) as depot:` or through the fixture `depot`.
"""

from __future__ import annotations

import contextlib
import functools
import json
import os
import re
import shutil
import signal
import socket
import ssl
import subprocess
import sys
import tempfile
import threading
import time
from pathlib import Path
from typing import TYPE_CHECKING, Any

import attrs
import pytest
import yaml

import depotserve

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

IN_CI = bool(os.environ.get("DEPOTSERVE_CI") or os.environ.get("CI"))
START_SECONDS = 60.0
STOP_SECONDS = 60.0
# Cost 4, so that a test run is not spent on hashes; the value is from the shared conventions.
USER, PASSPHRASE = "ann", "s3cret"
USERS_LINE = "ann:$2y$04$abcdefghijklmnopqrstuuLZYjhNQAOdpbzt4WxWlUHjv1wsyH5DG\n"
# Its header value, as RFC 7617 section 2 builds it.
AUTHORIZATION = b"Authorization: Basic YW5uOnMzY3JldA==\r\n"
_SOURCE = Path(__file__).resolve().parent.parent
_FROM_SOURCE = Path(depotserve.__file__).resolve().is_relative_to(_SOURCE / "depotserve")
_patterns = contextlib.ExitStack()
_READY = re.compile(
    r"listening on (https?)://(\[[0-9a-f:]+\]|[0-9.]+):(\d+)( \(redirect\))?(?: \(legacy\))?\s*$"
)


def need(program: str, *, found: bool | None = None) -> str:
    """Give the path of a peer that a test runs.

    A peer that is missing skips the test on a person's machine, with the reason shown, and fails
    it in CI. `found` decides where a peer is no program on the path.
    """
    path = shutil.which(program) or shutil.which(program, path="/usr/sbin:/sbin")
    if path if found is None else found:
        return path or program
    return missing(f"{program} is not installed")


def missing(reason: str) -> Any:
    """Skip for a thing that this machine lacks; in CI, where all is there, fail."""
    if IN_CI:
        pytest.fail(f"{reason} (CI must have it)", pytrace=False)
    pytest.skip(reason)


def command(*arguments: str | Path) -> list[str]:
    """Give the argument list that runs the depotserve which these tests import.

    Isolated, so that the source tree in the current folder does not hide an installed wheel.
    """
    isolated = [] if _FROM_SOURCE else ["-I"]
    return [sys.executable, *isolated, "-m", "depotserve", *map(str, arguments)]


def environment(env: Mapping[str, str] | None = None) -> dict[str, str]:
    """Give this process's environment with changes, and the source tree where that is tested."""
    source = {"PYTHONPATH": str(_SOURCE)} if _FROM_SOURCE else {}
    return {**os.environ, **source, **(env or {})}


def run(
    *arguments: str | Path,
    stdin: bytes = b"",
    env: Mapping[str, str] | None = None,
    cwd: Path | None = None,
    timeout: float = 120,
    through: Sequence[str] = (),
) -> subprocess.CompletedProcess[bytes]:
    """Run one depotserve command to its end; never raises for its exit status.

    `through` is a program, with its arguments, that is given the command to run.
    """
    return subprocess.run(
        [*through, *command(*arguments)],
        input=stdin,
        capture_output=True,
        env=environment(env),
        cwd=cwd,
        timeout=timeout,
        check=False,
    )


def bound_by_modes() -> list[str]:
    """Give what, put before a command, makes file modes count for root too."""
    if os.geteuid() != 0:
        return []
    # capabilities(7): without these two, root is an ordinary owner of its files.
    return [need("setpriv"), "--bounding-set", "-dac_override,-dac_read_search"]


def succeed(*arguments: str | Path, **options: Any) -> bytes:
    """Run one depotserve command that must end with status 0; give what it printed."""
    done = run(*arguments, **options)
    assert done.returncode == 0, done.stderr.decode()
    return done.stdout


def make_home(
    root: Path, content: Path, *, hosts: Sequence[str] = ("localhost", "127.0.0.1")
) -> Path:
    """Make HOME `root` for `content`, listening on any free port.

    The user `ann` with the passphrase `s3cret` stands in it with a hash that costs little. It is
    a copy, keys and all, of one that the command made: keys cost most of a second, and nothing
    but the content's line in depot.yaml names where a home lies.
    """
    pattern = _pattern(tuple(hosts))
    shutil.copytree(pattern, root, dirs_exist_ok=True)
    settings = root / "depot.yaml"
    text = settings.read_text()
    here, there = (_quoted(path) for path in (pattern.with_name("content"), content))
    assert here in text
    settings.write_text(text.replace(here, there))
    return root


def _quoted(path: Path) -> str:
    return json.dumps(str(path), ensure_ascii=False)


@functools.cache
def _pattern(hosts: tuple[str, ...]) -> Path:
    """Make a home for these hosts, to be copied as long as this session of tests runs."""
    folder = Path(_patterns.enter_context(tempfile.TemporaryDirectory()))
    (folder / "content").mkdir()
    return init_home(folder / "home", folder / "content", hosts=hosts)


def forget_patterns() -> None:
    """Remove the homes that were copied from; conftest.py does it at a session's end."""
    _patterns.close()
    _pattern.cache_clear()


def init_home(
    root: Path, content: Path, *, hosts: Sequence[str] = ("localhost", "127.0.0.1")
) -> Path:
    """Make HOME `root` by `depotserve init`, with keys of its own; else as `make_home`."""
    names = [word for host in hosts for word in ("--host", host)]
    options = ["--home", root, "--content", content, "--user", USER, "--port", "0"]
    succeed("init", *options, *names)
    (root / "accounts" / "users").write_text(USERS_LINE)
    return root


def change_settings(home: Path, **changes: Any) -> None:
    """Set top-level keys of a home's depot.yaml; None removes one."""
    file = home / "depot.yaml"
    settings = {**yaml.safe_load(file.read_text()), **changes}
    kept = {key: value for key, value in settings.items() if value is not None}
    # Written as a program's user would: beside it, then renamed over it.
    new = file.with_name("depot.yaml.test")
    new.write_text(yaml.safe_dump(kept, sort_keys=False, allow_unicode=True))
    new.rename(file)


@attrs.define
class Endpoint:
    """One listener of a running depot, as its start line names it."""

    scheme: str
    address: str
    port: int
    redirect: bool


@attrs.define
class RunningDepot:
    """A depot that serves, in a process of its own."""

    home: Path
    process: subprocess.Popen[bytes]
    endpoints: list[Endpoint] = attrs.Factory(list)
    user: str = USER
    passphrase: str = PASSPHRASE
    _lines: list[str] = attrs.Factory(list)
    _changed: threading.Condition = attrs.Factory(threading.Condition)
    _reader: threading.Thread | None = None

    @property
    def port(self) -> int:
        """Give the first listener's port."""
        return self.endpoints[0].port

    @property
    def url(self) -> str:
        """Give the first listener's address, with a slash at its end; `localhost` by name."""
        first = self.endpoints[0]
        here = {"127.0.0.1", "0.0.0.0"}  # noqa: S104
        host = "localhost" if first.address in here else f"[{first.address}]"
        return f"{first.scheme}://{host}:{first.port}/"

    @property
    def authority(self) -> Path:
        """Name the file by which clients verify this depot."""
        return self.home / "tls" / "authority.pem"

    @property
    def pid(self) -> int:
        """Give the supervisor's process number."""
        return self.process.pid

    def context(self) -> ssl.SSLContext:
        """Make a client's context that verifies this depot."""
        return ssl.create_default_context(cafile=str(self.authority))

    def raw(self, request: bytes, *, silence: float = 2.0, port: int | None = None) -> bytes:
        """Send bytes to the first listener and read its answer; see the function `raw`."""
        tls = self.context() if self.endpoints[0].scheme == "https" else None
        return raw(port or self.port, request, tls=tls, silence=silence)

    def log(self) -> str:
        """Give all that the depot has said on standard error so far."""
        with self._changed:
            return "".join(self._lines)

    def wait_for_log(self, pattern: str, *, seconds: float = 30.0, times: int = 1) -> str:
        """Wait until standard error matches `pattern` that many times; give all of it."""
        found = re.compile(pattern, re.MULTILINE)
        with self._changed:
            matches = lambda: len(found.findall("".join(self._lines))) >= times  # noqa: E731
            assert self._changed.wait_for(matches, seconds), "".join(self._lines)
            return "".join(self._lines)

    def access_log(self) -> str:
        """Give the access log; empty where nothing was written yet."""
        file = self.home / "log" / "access.log"
        return file.read_text(errors="surrogateescape") if file.exists() else ""

    def workers(self) -> list[int]:
        """List the process numbers of the supervisor's children."""
        return children(self.pid)

    def signal(self, number: int) -> None:
        """Send a signal to the supervisor."""
        self.process.send_signal(number)

    def stop(self, *, status: int | None = 0) -> None:
        """End the depot by SIGTERM and check its exit status; None checks nothing."""
        if self.process.poll() is None:
            self.process.send_signal(signal.SIGTERM)
        try:
            ended = self.process.wait(STOP_SECONDS)
        except subprocess.TimeoutExpired:
            self.process.kill()
            self.process.wait()
            raise AssertionError(f"did not stop on SIGTERM:\n{self.log()}") from None
        finally:
            self._finish_reading()
        if status is not None:
            assert ended == status, self.log()

    def _finish_reading(self) -> None:
        # Workers hold standard error too; one that outlives its supervisor is a test's finding.
        if self._reader:
            self._reader.join(10)

    def collect(self) -> None:
        """Begin to read standard error, to its end, in a thread of its own."""
        self._reader = threading.Thread(target=self._collect, daemon=True)
        self._reader.start()

    def _collect(self) -> None:
        assert self.process.stderr is not None
        with self.process.stderr as stream:
            for line in stream:
                self._take(line.decode("utf-8", "replace"))

    def _take(self, line: str) -> None:
        match = _READY.search(line)
        with self._changed:
            self._lines.append(line)
            if match:
                self.endpoints.append(_endpoint(match))
            self._changed.notify_all()

    def wait_until_listening(self, listeners: int) -> None:
        """Wait for every listener's start line."""
        deadline = time.monotonic() + START_SECONDS
        while len(self.endpoints) < listeners:
            assert self.process.poll() is None, f"ended at its start:\n{self.log()}"
            assert time.monotonic() < deadline, f"no start line:\n{self.log()}"
            with self._changed:
                self._changed.wait(0.1)


def _endpoint(match: re.Match[str]) -> Endpoint:
    scheme, address, port, redirect = match.groups()
    return Endpoint(scheme, address.strip("[]"), int(port), bool(redirect))


def start(
    home: Path,
    *,
    workers: int | None = None,
    env: Mapping[str, str] | None = None,
    through: Sequence[str] = (),
) -> RunningDepot:
    """Start `depotserve serve` for a home and wait for its listeners.

    `through` is a program, with its arguments, that is given the serving command to run.
    """
    options = ["--workers", str(workers)] if workers else []
    process = subprocess.Popen(
        [*through, *command("serve", "--home", home, *options)],
        stdin=subprocess.DEVNULL,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
        env=environment(env),
    )
    depot = RunningDepot(home, process)
    depot.collect()
    wanted = len(yaml.safe_load((home / "depot.yaml").read_text())["listeners"])
    try:
        depot.wait_until_listening(wanted)
    except BaseException:
        process.kill()
        depot.stop(status=None)
        raise
    return depot


@contextlib.contextmanager
def running_depot(
    folder: Path,
    content: Path,
    *,
    plain: bool = False,
    workers: int = 1,
    users: str | None = None,
    env: Mapping[str, str] | None = None,
    **settings: Any,
) -> Iterator[RunningDepot]:
    """Serve `content` from a new home in `folder` until the block ends.

    `plain` listens without TLS, for tests of the bytes on the wire; `users` replaces the users
    file; `settings` are top-level keys of depot.yaml. The depot must end with status 0 on
    SIGTERM, unless the test has ended it.
    """
    home = make_home(folder / "home", content)
    listener = {"address": "127.0.0.1", "port": 0, "tls": "none" if plain else "modern"}
    change_settings(home, **{"listeners": [listener], **settings})
    if users is not None:
        (home / "accounts" / "users").write_text(users)
    depot = start(home, workers=workers, env=env)
    try:
        yield depot
    except BaseException:
        sys.stderr.write(depot.log())
        depot.stop(status=None)
        raise
    depot.stop(status=0 if depot.process.poll() is None else None)


def raw(
    port: int,
    request: bytes,
    *,
    tls: ssl.SSLContext | None = None,
    address: str = "127.0.0.1",
    silence: float = 2.0,
) -> bytes:
    """Send bytes as they are; give all that comes until close or `silence` seconds of it."""
    with connected(port, tls=tls, address=address) as connection:
        with contextlib.suppress(BrokenPipeError, ConnectionResetError):
            connection.sendall(request)
        return read_all(connection, silence=silence)


@contextlib.contextmanager
def connected(
    port: int, *, tls: ssl.SSLContext | None = None, address: str = "127.0.0.1"
) -> Iterator[socket.socket]:
    """Connect to a depot on this machine, over TLS where a context is given."""
    with socket.create_connection((address, port), timeout=30) as plain:
        if tls is None:
            yield plain
            return
        with tls.wrap_socket(plain, server_hostname="localhost") as secure:
            yield secure


def read_all(connection: socket.socket, *, silence: float = 2.0) -> bytes:
    """Read until close, reset or `silence` seconds without a byte."""
    connection.settimeout(silence)
    received = bytearray()
    with contextlib.suppress(TimeoutError, socket.timeout, ConnectionResetError, ssl.SSLError):
        while piece := connection.recv(1 << 16):
            received += piece
    return bytes(received)


@attrs.frozen
class Answer:
    """One HTTP/1.1 answer, taken apart; header names in lower case, as a list of pairs."""

    status: int
    headers: tuple[tuple[str, str], ...]
    body: bytes

    def get(self, name: str) -> str | None:
        """Give the one value of a header, or None; two of it fail the test."""
        values = [value for key, value in self.headers if key == name.lower()]
        assert len(values) <= 1, values
        return values[0] if values else None


def answer(received: bytes) -> Answer:
    """Take one answer apart: status, headers and whatever follows the blank line."""
    head, blank, body = received.partition(b"\r\n\r\n")
    assert blank, received
    status_line, *lines = head.decode("latin-1").split("\r\n")
    assert status_line.startswith("HTTP/1.1 "), status_line
    pairs = (line.partition(":") for line in lines)
    headers = tuple((name.lower(), value.strip()) for name, _, value in pairs)
    return Answer(int(status_line.split(" ", 2)[1]), headers, body)


def get(target: str, *headers: str, method: str = "GET", signed_in: bool = True) -> bytes:
    """Write a request that closes its connection; `headers` are whole lines."""
    lines = [f"{method} {target} HTTP/1.1", "Host: localhost", "Connection: close", *headers]
    head = "".join(f"{line}\r\n" for line in lines).encode("latin-1", "surrogateescape")
    return head + (AUTHORIZATION if signed_in else b"") + b"\r\n"


def children(pid: int) -> list[int]:
    """List the live children of a process."""
    found = []
    for entry in Path("/proc").iterdir():
        with contextlib.suppress(OSError, ValueError, IndexError):
            # proc(5): after the name in parentheses come the state and the parent.
            state, parent = (entry / "stat").read_text().rpartition(")")[2].split()[:2]
            if int(parent) == pid and state != "Z":
                found.append(int(entry.name))
    return sorted(found)


def json_of(output: bytes) -> Any:
    """Read the one JSON document that a command printed."""
    return json.loads(output)
