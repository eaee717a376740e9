"""What tests of scanning share: a real scanner daemon, a relay that counts, and false daemons.

The real one is clamd of the Debian package clamav-daemon. Its database is made here; nothing is
downloaded.
"""

from __future__ import annotations

import contextlib
import hashlib
import io
import shutil
import socket
import subprocess
import tarfile
import tempfile
import threading
import time
import zipfile
from pathlib import Path
from typing import TYPE_CHECKING, Callable

import attrs
import harness

if TYPE_CHECKING:
    from collections.abc import Iterator

SECONDS = 60.0
# The EICAR anti-malware test file (eicar.org), 68 bytes; in parts, lest this file be taken for it.
TEST_FILE = (
    r"X5O!P%@AP[4\PZX54(P^)7CC)7}$" + "EICAR" + "-STANDARD-" + "ANTIVIRUS-TEST-FILE!$H+H*"
).encode()
TEST_MD5 = "44d88612fea8a8f36de82e1278abb02f"  # as eicar.org and every catalogue of samples has it
NAME = "Plant.Test.Drill"
VERSION = b"Plant 1.0/7/Thu Nov 26\0"  # as false daemons say it


def zipped(content: bytes) -> bytes:
    """Put content into a zip archive, compressed."""
    whole = io.BytesIO()
    with zipfile.ZipFile(whole, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("docs/readme.txt", "pump manual\n" * 100)
        archive.writestr("tools/setup.exe", content)
    return whole.getvalue()


@contextlib.contextmanager
def short_folder() -> Iterator[Path]:
    """Make a folder whose sockets have a path short enough for unix(7)."""
    folder = Path(tempfile.mkdtemp(prefix="scan-"))
    try:
        yield folder
    finally:
        shutil.rmtree(folder)


def free_port() -> int:
    """Find a TCP port on loopback that nobody listens on."""
    with socket.create_server(("127.0.0.1", 0)) as taken:
        return int(taken.getsockname()[1])


@attrs.define
class RealDaemon:
    """A clamd of our own: its folder, its process, its sockets."""

    folder: Path
    port: int
    options: tuple[str, ...] = ()
    process: subprocess.Popen[bytes] | None = None

    @property
    def unix(self) -> str:
        """Give the path of its socket."""
        return str(self.folder / "s")

    @property
    def database(self) -> Path:
        """Name the folder of its signatures."""
        return self.folder / "db"

    def know(self, *samples: bytes, number: int = 1) -> None:
        """Write a database of that version: each sample by size and SHA-256, with a name.

        A container of the form that nobody signs; with 0, bare rows, which have no version.
        """
        self.database.mkdir(exist_ok=True)
        for old in self.database.iterdir():
            old.unlink()
        rows = "".join(
            f"{hashlib.sha256(one).hexdigest()}:{len(one)}:{NAME}:73\n"
            for one in (*samples, b"never anywhere in a tree")
        ).encode()
        if number:
            (self.database / "daily.cud").write_bytes(_container(rows, number))
        else:
            (self.database / "plant.hsb").write_bytes(rows)

    def start(self) -> None:
        """Start it and wait until it answers."""
        lines = [
            "Foreground yes",
            f"LocalSocket {self.unix}",
            f"TCPSocket {self.port}",
            "TCPAddr 127.0.0.1",
            f"DatabaseDirectory {self.database}",
            f"TemporaryDirectory {self.folder}",
            "SelfCheck 0",
            *self.options,
        ]
        (self.folder / "conf").write_text("\n".join(lines) + "\n")
        self.process = subprocess.Popen(
            [harness.need("clamd"), "-c", str(self.folder / "conf")],
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        until(lambda: self.says(b"PING") == b"PONG")

    def says(self, command: bytes, content: bytes | None = None) -> bytes:
        """Ask it, by this kit's own few lines; b"" where it is not there."""
        with socket.socket(socket.AF_UNIX) as connection, contextlib.suppress(OSError):
            connection.settimeout(SECONDS)
            connection.connect(self.unix)
            connection.sendall(b"z" + command + b"\0")
            if content is not None:
                connection.sendall(len(content).to_bytes(4, "big") + content + bytes(4))
            return b"".join(iter(lambda: connection.recv(4096), b"")).rstrip(b"\0")
        return b""

    def reload(self, *samples: bytes, number: int) -> None:
        """Give it another database, and wait until it works with it."""
        self.know(*samples, number=number)
        self.says(b"RELOAD")
        until(lambda: b"/%d/" % number in self.says(b"VERSION"))

    def kill(self) -> None:
        """End it at once."""
        if self.process:
            self.process.kill()
            self.process.wait()
            Path(self.unix).unlink(missing_ok=True)
            self.process = None


@contextlib.contextmanager
def running_daemon(
    *samples: bytes, options: tuple[str, ...] = (), number: int = 1
) -> Iterator[RealDaemon]:
    """Run a real daemon that knows the samples, by version 1 of its signatures."""
    harness.need("clamd")
    with short_folder() as folder:
        daemon = RealDaemon(folder, free_port(), options)
        daemon.know(*samples, number=number)
        try:
            daemon.start()
            yield daemon
        finally:
            daemon.kill()


def _container(rows: bytes, number: int) -> bytes:
    head = f"ClamAV-VDB:26 Nov 2026 10-00 +0000:{number}:1:90:X:X:plant:1764151200"
    info = f"{head}\ndaily.hsb:{len(rows)}:{hashlib.sha256(rows).hexdigest()}\n"
    whole = io.BytesIO(head.ljust(512).encode())
    whole.seek(512)
    with tarfile.open(fileobj=whole, mode="w", format=tarfile.USTAR_FORMAT) as archive:
        for name, content in (
            ("COPYING", b"none"),
            ("daily.info", info.encode()),
            ("daily.hsb", rows),
        ):
            member = tarfile.TarInfo(name)
            member.size = len(content)
            archive.addfile(member, io.BytesIO(content))
    return whole.getvalue()


def until(is_so: Callable[[], bool]) -> None:
    """Wait for something to become true."""
    deadline = time.monotonic() + SECONDS
    while not is_so():
        assert time.monotonic() < deadline
        time.sleep(0.02)


Serve = Callable[[socket.socket, bytes], None]  # a connection, and the command that came on it


@attrs.define
class Listener:
    """A server on a socket of its own; `asked` are the commands that came, in order."""

    unix: str
    asked: list[bytes] = attrs.Factory(list)

    @property
    def streams(self) -> int:
        """Count the files that it was asked about."""
        return self.asked.count(b"zINSTREAM")


@contextlib.contextmanager
def listening(serve: Serve) -> Iterator[Listener]:
    """Run a server that hands each connection and its first command to `serve`."""
    with short_folder() as folder, socket.socket(socket.AF_UNIX) as server:
        listener = Listener(str(folder / "s"))
        server.bind(listener.unix)
        server.listen(64)
        threads: list[threading.Thread] = []
        accepting = threading.Thread(target=_accept, args=(server, serve, listener, threads))
        accepting.start()
        try:
            yield listener
        finally:
            server.shutdown(socket.SHUT_RDWR)
            for thread in (accepting, *threads):
                thread.join(SECONDS)
                assert not thread.is_alive()


def _accept(
    server: socket.socket, serve: Serve, listener: Listener, threads: list[threading.Thread]
) -> None:
    while True:
        try:
            connection, _ = server.accept()
        except OSError:
            return
        thread = threading.Thread(target=_serve, args=(connection, serve, listener))
        thread.start()
        threads.append(thread)


def _serve(connection: socket.socket, serve: Serve, listener: Listener) -> None:
    with connection, contextlib.suppress(OSError):
        connection.settimeout(SECONDS)
        command = b""
        while not command.endswith(b"\0"):
            byte = connection.recv(1)
            if not byte:
                return
            command += byte
        listener.asked.append(command[:-1])
        serve(connection, command[:-1])


def relay_to(unix: str, *, before: Callable[[bytes], None] = lambda _: None) -> Serve:
    """Pass everything on to a real daemon; `before` each connection, with its command."""

    def serve(connection: socket.socket, command: bytes) -> None:
        before(command)
        with socket.socket(socket.AF_UNIX) as behind:
            behind.settimeout(SECONDS)
            behind.connect(unix)
            behind.sendall(command + b"\0")
            there = threading.Thread(target=_pump, args=(connection, behind))
            there.start()
            _pump(behind, connection)
            with contextlib.suppress(OSError):
                connection.shutdown(socket.SHUT_RDWR)
            there.join(SECONDS)

    return serve


def _pump(source: socket.socket, sink: socket.socket) -> None:
    with contextlib.suppress(OSError):
        while piece := source.recv(65536):
            sink.sendall(piece)
        sink.shutdown(socket.SHUT_WR)


def take_stream(connection: socket.socket) -> bytes:
    """Read a file's chunks to their end, as INSTREAM has them."""
    content = b""
    while True:
        size = int.from_bytes(_exactly(connection, 4), "big")
        if not size:
            return content
        content += _exactly(connection, size)


def _exactly(connection: socket.socket, size: int) -> bytes:
    data = b""
    while len(data) < size:
        piece = connection.recv(size - len(data))
        if not piece:
            raise ConnectionResetError
        data += piece
    return data


def answering(answer: bytes, *, version: bytes = VERSION) -> Serve:
    """Name a version, read each file whole, and give it always the same answer."""

    def serve(connection: socket.socket, command: bytes) -> None:
        if command == b"zVERSION":
            connection.sendall(version)
            return
        take_stream(connection)
        connection.sendall(answer)

    return serve


def fill(root: Path, files: int) -> Path:
    """Make a tree of small files, each with other content."""
    root.mkdir(exist_ok=True)
    for number in range(files):
        (root / f"pump-{number:03}.bin").write_bytes(b"firmware of pump %d" % number)
    return root
