"""The subjects: the product and its references, each in processes of its own."""

from __future__ import annotations

import base64
import secrets
import subprocess
import sys
import time
from pathlib import Path
from typing import TYPE_CHECKING, Any

import attrs
import yaml

if TYPE_CHECKING:
    from collections.abc import Iterator

__all__ = ["Credential", "Depot", "Home", "Subject", "end", "make_home", "serve", "start_reference"]

USER = "engineer"
_REFERENCES = Path(__file__).parent / "references"
_LISTENING = "listening on "
_START_SECONDS = 60.0
_STOP_SECONDS = 10.0


@attrs.frozen
class Credential:
    """A user's name and passphrase, and the header field that carries them (RFC 7617)."""

    user: str
    passphrase: str

    @property
    def value(self) -> str:
        """Give the value of the Authorization field."""
        pair = f"{self.user}:{self.passphrase}".encode()
        return f"Basic {base64.b64encode(pair).decode()}"


@attrs.frozen
class Subject:
    """One way to ask one server. References get the credential too and do not look at it."""

    name: str
    pid: int
    port: int
    tls: bool
    credential: Credential

    def url(self, path: str) -> str:
        """Give the address of a file."""
        return f"{'https' if self.tls else 'http'}://127.0.0.1:{self.port}/{path}"

    def request(self, path: str, *fields: str) -> bytes:
        """Write a GET; `fields` are whole header lines."""
        lines = [
            f"GET /{path} HTTP/1.1",
            f"Host: 127.0.0.1:{self.port}",
            f"Authorization: {self.credential.value}",
            *fields,
        ]
        return "".join(f"{line}\r\n" for line in (*lines, "")).encode()


@attrs.frozen
class Home:
    """A home that `depotserve init` has made."""

    root: Path
    credential: Credential

    @property
    def certificate(self) -> tuple[Path, Path]:
        """Name the certificate's file and the key's."""
        return self.root / "tls" / "server.pem", self.root / "tls" / "server.key"


@attrs.frozen
class Depot:
    """The product while it serves, with one listener over TLS and one without."""

    home: Home
    workers: int
    process: subprocess.Popen[bytes]
    ports: tuple[int, int]  # over TLS, plain

    def subject(self, *, tls: bool) -> Subject:
        """Give one of its two listeners."""
        name = f"depotserve, {self.workers} worker{'s' if self.workers > 1 else ''}"
        port = self.ports[0] if tls else self.ports[1]
        return Subject(name, self.process.pid, port, tls, self.home.credential)


def _depotserve(*arguments: str | Path) -> list[str]:
    return [sys.executable, "-m", "depotserve", *map(str, arguments)]


def make_home(root: Path, content: Path) -> Home:
    """Make a home by `depotserve init`; listen over TLS and, on loopback, in clear text."""
    credential = Credential(USER, secrets.token_urlsafe(18))
    hosts = ("--host", "localhost", "--host", "127.0.0.1")
    options = ("--home", root, "--content", content, "--user", USER, "--port", "0", *hosts)
    subprocess.run(
        _depotserve("init", *options, "--passphrase-file", "-"),
        input=credential.passphrase.encode(),
        stdout=subprocess.DEVNULL,
        cwd=root.parent,
        check=True,
    )
    _add_plain_listener(root / "depot.yaml")
    return Home(root, credential)


def _add_plain_listener(file: Path) -> None:
    settings: dict[str, Any] = yaml.safe_load(file.read_text())
    plain = {"address": "127.0.0.1", "port": 0, "tls": "none", "i_accept_cleartext_passwords": True}
    settings["listeners"].append(plain)
    file.write_text(yaml.safe_dump(settings, sort_keys=False))


def serve(home: Home, workers: int) -> Depot:
    """Start `depotserve serve` and wait for both listeners' start lines."""
    log = home.root / f"serve-{workers}.log"
    with open(log, "wb") as output:
        process = subprocess.Popen(
            _depotserve("serve", "--home", home.root, "--workers", str(workers)),
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=output,
            cwd=home.root.parent,
            start_new_session=True,  # an interruption from the keyboard is the benchmark's alone
        )
    try:
        return Depot(home, workers, process, _wait_for_ports(process, log))
    except BaseException:
        end(process)
        raise


def _wait_for_ports(process: subprocess.Popen[bytes], log: Path) -> tuple[int, int]:
    deadline = time.monotonic() + _START_SECONDS
    while time.monotonic() < deadline and process.poll() is None:
        found = dict(_start_lines(log.read_text()))
        if len(found) == 2:
            return found["https"], found["http"]
        time.sleep(0.005)
    raise RuntimeError(f"depotserve did not start:\n{log.read_text()}")


def _start_lines(text: str) -> Iterator[tuple[str, int]]:
    """Give scheme and port of each listener that the log names in a whole line."""
    for line in text.splitlines(keepends=True):
        _, found, address = line.partition(_LISTENING)
        if found and line.endswith("\n"):
            scheme, _, rest = address.partition("://")
            yield scheme, int(rest.rpartition(":")[2])


def start_reference(
    name: str, program: str, home: Home, content: Path, *, tls: bool
) -> tuple[subprocess.Popen[bytes], Subject]:
    """Start a program of references/, over TLS with the depot's own certificate."""
    certificate = map(str, home.certificate) if tls else ()
    # They complain at length of clients that go away in the middle, as wrk does at its end.
    log = home.root.parent / f"{program}.log"
    with open(log, "ab") as output:
        process = subprocess.Popen(
            [sys.executable, str(_REFERENCES / program), str(content), *certificate],
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=output,
            cwd=home.root.parent,
            start_new_session=True,
        )
    if process.stdout is None or not (line := process.stdout.readline()):
        end(process)
        raise RuntimeError(f"{program} did not start:\n{log.read_text()}")
    return process, Subject(name, process.pid, int(line), tls, home.credential)


def end(process: subprocess.Popen[bytes]) -> None:
    """End a server, by force if it does not go by itself."""
    process.terminate()
    try:
        process.wait(_STOP_SECONDS)
    except subprocess.TimeoutExpired:
        process.kill()
        process.wait()
    if process.stdout:
        process.stdout.close()
