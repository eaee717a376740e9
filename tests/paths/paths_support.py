"""What the tests on paths share: the process under test, a client of raw bytes, canaries."""

from __future__ import annotations

import contextlib
import os
import re
import socket
import struct
import subprocess
import sys
from pathlib import Path
from typing import TYPE_CHECKING

import attrs

if TYPE_CHECKING:
    from collections.abc import Iterator

    from typing_extensions import Self

MARK = b"canary-5d1c7b0e-must-never-leave"
DEADLINE = 10.0  # seconds for any answer


@attrs.frozen
class Live:
    """A running `live.py`."""

    port: int
    process: subprocess.Popen[bytes]
    counter: Path

    def reached_open(self) -> int:
        """Give how many requests reached the step that opens files."""
        return int(struct.unpack("=Q", self.counter.read_bytes())[0])

    def is_alive(self) -> bool:
        """Ask for health, over a new connection."""
        with Client(self.port) as client:
            return client.ask(b"GET /_depot/health HTTP/1.1\r\nHost: h\r\n\r\n")[0] == 200


@contextlib.contextmanager
def live(root: Path, guard: str = "kept") -> Iterator[Live]:
    """Run `live.py` for `root`; ends the process."""
    counter = root.parent / f"counter-{guard}"
    counter.write_bytes(bytes(8))
    script = Path(__file__).with_name("live.py")
    process = subprocess.Popen(
        [sys.executable, script, root, counter, guard], stdout=subprocess.PIPE
    )
    assert process.stdout is not None
    try:
        yield Live(int(process.stdout.readline()), process, counter)
    finally:
        process.kill()
        process.wait()
        process.stdout.close()


class Client:
    """A client that sends bytes as they are and reads one answer at a time."""

    def __init__(self, port: int) -> None:
        self._port = port
        self._socket: socket.socket | None = None
        self._buffer = b""

    def __enter__(self) -> Self:
        """Begin without a connection."""
        return self

    def __exit__(self, *_: object) -> None:
        """End the connection."""
        self.close()

    def close(self) -> None:
        """End the connection."""
        if self._socket is not None:
            self._socket.close()
            self._socket = None
            self._buffer = b""

    def ask(self, request: bytes) -> tuple[int, bytes]:
        """Send one request; give the status and all bytes of the answer.

        Status 0: the connection ended without an answer. Raises TimeoutError for silence.
        """
        if self._socket is None:
            self._socket = socket.create_connection(("127.0.0.1", self._port), DEADLINE)
        try:
            self._socket.sendall(request)
            answer, ended = self._read_answer(is_head=request.startswith(b"HEAD "))
        except ConnectionError:
            answer, ended = self._buffer, True
        if ended:
            self.close()
        status = re.match(rb"HTTP/1\.1 (\d{3}) ", answer)
        return int(status[1]) if status else 0, answer

    def _fill(self) -> bool:
        assert self._socket is not None
        data = self._socket.recv(65536)
        self._buffer += data
        return bool(data)

    def _take(self, count: int) -> bytes:
        taken, self._buffer = self._buffer[:count], self._buffer[count:]
        return taken

    def _read_answer(self, *, is_head: bool) -> tuple[bytes, bool]:
        while b"\r\n\r\n" not in self._buffer:
            if not self._fill():
                return self._take(len(self._buffer)), True
        head = self._take(self._buffer.index(b"\r\n\r\n") + 4)
        ended = b"\r\nConnection: close\r\n" in head
        if is_head or head[9:12] in {b"204", b"304"}:
            return head, ended
        length = re.search(rb"\r\nContent-Length: (\d+)\r\n", head)
        if length:
            while len(self._buffer) < int(length[1]):
                if not self._fill():
                    return head + self._take(len(self._buffer)), True
            return head + self._take(int(length[1])), ended
        if b"\r\nTransfer-Encoding: chunked\r\n" in head:
            return head + self._read_chunked(), ended
        while self._fill():
            pass
        return head + self._take(len(self._buffer)), True

    def _read_chunked(self) -> bytes:
        # None of our pages holds this sequence, since each row ends with a newline alone.
        while b"0\r\n\r\n" not in self._buffer:
            if not self._fill():
                break
        return self._take(self._buffer.find(b"0\r\n\r\n") + 5)


def canary_tree(base: Path) -> Path:
    """Make a root with canaries beside it and, behind links and hidden names, at each depth."""
    root = base / "root"
    sibling = base / "rootx"
    sibling.mkdir(parents=True)
    for place in (base, sibling):
        (place / "canary.txt").write_bytes(MARK)
    folder = root
    for depth in range(5):
        folder.mkdir()
        (folder / "file.txt").write_bytes(b"inside %d" % depth)
        (folder / "a b").write_bytes(b"inside")
        (folder / os.fsdecode(b"latin\xe9.bin")).write_bytes(b"inside")
        (folder / "back\\slash").write_bytes(b"inside")
        up = "../" * (depth + 1)
        (folder / "out").symlink_to(f"{up}canary.txt")
        (folder / "outdir").symlink_to(f"{up}rootx")
        (folder / "absolute").symlink_to(sibling / "canary.txt")
        (folder / "in").symlink_to("file.txt")
        (folder / "loop").symlink_to("loop")
        os.mkfifo(folder / "pipe")
        (folder / ".git").mkdir()
        (folder / ".git" / "canary.txt").write_bytes(MARK)
        (folder / ".env").write_bytes(MARK)
        (folder / "toenv").symlink_to(".env")
        folder = folder / "d"
    return root
