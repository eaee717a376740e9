"""Wrong passphrases are added up over all workers (NIST SP 800-63B-4 section 3.2.2)."""

from __future__ import annotations

import base64
import contextlib
import os
import re
import socket
from pathlib import Path
from typing import TYPE_CHECKING, Any

import harness
import pytest

if TYPE_CHECKING:
    from collections.abc import Iterator

WORKERS, LIMIT = 4, 10
ANN, BOB = ("ann", "s3cret"), ("bob", "se:cr:et")
# Hashes from the shared conventions; cost 4.
USERS = f"{harness.USERS_LINE}bob:$2y$04$abcdefghijklmnopqrstuuWKM9L6i21cVKJJ7kQLZ04iWQlMaO87C\n"


class Spread:
    """A connection to each worker."""

    def __init__(self, by_worker: dict[int, socket.socket]) -> None:
        self._by_worker = by_worker
        self.workers = sorted(by_worker)

    def sign_in(self, worker: int, name: str, passphrase: str) -> harness.Answer:
        """Offer a credential to one worker, over the connection that is kept to it."""
        credential = base64.b64encode(f"{name}:{passphrase}".encode()).decode()
        head = f"GET /x HTTP/1.1\r\nHost: localhost\r\nAuthorization: Basic {credential}\r\n\r\n"
        connection = self._by_worker[worker]
        connection.sendall(head.encode())
        received = b""
        while not _is_whole(received):
            received += connection.recv(65536)
        return harness.answer(received)


def _is_whole(received: bytes) -> bool:
    head, blank, body = received.partition(b"\r\n\r\n")
    length = re.search(rb"Content-Length: (\d+)", head)
    return bool(blank and length and len(body) >= int(length[1]))


def _sockets_of(pid: int) -> set[str]:
    """List the inodes of a process's sockets (proc(5))."""
    found = set()
    for entry in Path(f"/proc/{pid}/fd").iterdir():
        with contextlib.suppress(OSError):
            found.add(os.readlink(entry).partition("socket:")[2].strip("[]"))
    return found


def _inode_of(client: socket.socket, port: int) -> str:
    """Give the inode of the depot's side of a connection (proc_net(5))."""
    for line in Path("/proc/net/tcp").read_text().splitlines()[1:]:
        fields = line.split()
        ends = [int(end.rpartition(":")[2], 16) for end in fields[1:3]]
        if ends == [port, client.getsockname()[1]]:
            return fields[9]
    return ""


@pytest.fixture
def spread(tmp_path: Path) -> Iterator[Spread]:
    content = tmp_path / "content"
    content.mkdir()
    (content / "x").write_bytes(b"x")
    options: dict[str, Any] = {"plain": True, "workers": WORKERS, "users": USERS}
    with contextlib.ExitStack() as open_ones:
        depot = open_ones.enter_context(harness.running_depot(tmp_path, content, **options))
        found: dict[int, socket.socket] = {}
        for _ in range(200):
            client = open_ones.enter_context(socket.create_connection(("127.0.0.1", depot.port)))
            client.settimeout(30)
            client.sendall(b"GET /_depot/health HTTP/1.1\r\nHost: h\r\n\r\n")
            assert b"alive" in client.recv(4096)
            inode = _inode_of(client, depot.port)
            for pid in depot.workers():
                if inode in _sockets_of(pid):
                    found.setdefault(pid, client)
            if len(found) == WORKERS:
                break
        assert len(found) == WORKERS
        yield Spread(found)


def test_failures_spread_over_workers_so_that_none_alone_reaches_the_limit_throttle(
    spread: Spread,
) -> None:
    for turn in range(LIMIT):
        worker = spread.workers[turn % WORKERS]
        assert spread.sign_in(worker, ANN[0], f"wrong {turn}").status == 401
    for worker in spread.workers:
        refused = spread.sign_in(worker, ANN[0], f"wrong for {worker}")
        assert refused.status == 429
        assert 1 <= int(refused.get("Retry-After") or 0) <= 300


def test_a_good_user_behind_a_throttled_address_is_never_refused(spread: Spread) -> None:
    assert spread.sign_in(spread.workers[0], *ANN).status == 200
    for turn in range(3 * LIMIT):
        worker = spread.workers[turn % WORKERS]
        spread.sign_in(worker, ANN[0], f"wrong {turn}")
        spread.sign_in(worker, f"nobody {turn}", "wrong")
        assert spread.sign_in(worker, *BOB).status == 200
    assert spread.sign_in(spread.workers[1], ANN[0], "wrong").status == 429
    assert spread.sign_in(spread.workers[1], "nobody", "wrong").status == 429
    # Found right before the guessing, it stands in the cache of the worker that checked it.
    assert spread.sign_in(spread.workers[0], *ANN).status == 200
    assert spread.sign_in(spread.workers[0], ANN[0], "wrong").status == 429
