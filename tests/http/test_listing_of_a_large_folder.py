"""A folder of 20,000 names: listed whole and in order, or broken off so that anybody can tell."""

from __future__ import annotations

import contextlib
import http.client
import json
import os
import re
import shutil
import signal
import socket
import threading
import time
from pathlib import Path
from typing import TYPE_CHECKING
from urllib.parse import unquote_to_bytes

import harness
import pytest
import serving

if TYPE_CHECKING:
    from collections.abc import Iterator

COUNT, FEWER = 20_000, 5_000
FOLDER_THREADS = 4  # of a worker: depotserve/http/app.py
# Long, so that a listing is more than the kernel keeps for a connection (tcp(7), tcp_wmem).
LONG = b"reverse-osmosis-train-2-" * 7
HTML, JSON = "text/html", "application/json"
_HREF = re.compile(rb'<tr><th scope="row"><a href="([^"]*)">|"href":"([^"]*)"')


def fill(folder: Path, count: int = COUNT, stem: bytes = b"gateway-") -> list[bytes]:
    """Make a folder of many names, in no order; give them in the order of their bytes."""
    folder.mkdir()
    names = [b"%b%06d" % (stem, number * 7919 % count) for number in range(count)]
    first = folder / names[0].decode()
    first.touch()
    for name in names[1:]:
        os.link(first, folder / name.decode())  # in half the time of files of their own
    return sorted(names)


@pytest.fixture(scope="module")
def depot(tmp_path_factory: pytest.TempPathFactory) -> Iterator[harness.RunningDepot]:
    folder = tmp_path_factory.mktemp("large")
    (folder / "tree").mkdir()
    (folder / "tree" / "small").write_bytes(b"small")
    with serving.serving(folder, serving.mount("/", folder / "tree")) as running:
        yield running
    assert "Traceback" not in running.log()


@pytest.fixture(scope="module")
def names(depot: harness.RunningDepot) -> list[bytes]:
    return fill(depot.home.parent / "tree" / "many")


@pytest.fixture(scope="module")
def long_names(depot: harness.RunningDepot) -> list[bytes]:
    return fill(depot.home.parent / "tree" / "long", stem=LONG)


@contextlib.contextmanager
def listing(
    depot: harness.RunningDepot, target: str, accept: str, *, narrow: bool = False
) -> Iterator[http.client.HTTPResponse]:
    """Ask for a listing by the standard library's client, which knows a body that broke off."""
    with socket.socket() as connection:
        if narrow:
            connection.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 16384)
        connection.settimeout(60)
        connection.connect(("127.0.0.1", depot.port))
        connection.sendall(harness.get(target, f"Accept: {accept}"))
        with http.client.HTTPResponse(connection) as response:
            response.begin()
            yield response


def read(depot: harness.RunningDepot, target: str, accept: str) -> bytes:
    with listing(depot, target, accept) as response:
        assert response.status == 200
        return response.read()


def listed(body: bytes) -> list[bytes]:
    """Give the names of a whole listing, in its order."""
    if body.startswith(b"{"):
        assert len(json.loads(body)["entries"]) == len(_HREF.findall(body))
    else:
        assert body.endswith(b"</html>\n")
    return [unquote_to_bytes(html or found) for html, found in _HREF.findall(body)]


@pytest.mark.parametrize("accept", [HTML, JSON])
def test_every_name_is_listed_in_the_order_that_was_asked_for(
    depot: harness.RunningDepot, names: list[bytes], accept: str
) -> None:
    assert listed(read(depot, "/many/", accept)) == names
    assert listed(read(depot, "/many/?order=descending", accept)) == names[::-1]
    # All of one size: by name, and ascending.
    assert listed(read(depot, "/many/?sort=size&order=descending", accept)) == names
    assert listed(read(depot, "/many/?filter=-0199", accept)) == [
        name for name in names if b"-0199" in name
    ]


@contextlib.contextmanager
def coming_and_going(folder: Path) -> Iterator[set[bytes]]:
    """Make and remove other names in a folder all the while; give those that there are at all."""
    others = {b"gateway-%06d-passing" % number for number in range(0, COUNT, 40)}
    ended = threading.Event()

    def work() -> None:
        while not ended.is_set():
            for name in others:
                (folder / name.decode()).touch()
            for name in others:
                (folder / name.decode()).unlink()

    worker = threading.Thread(target=work)
    worker.start()
    try:
        yield others
    finally:
        ended.set()
        worker.join()


# readdir(3p): a name that is neither made nor removed meanwhile is given once.
@pytest.mark.parametrize("query", ["", "?sort=date"])
@pytest.mark.parametrize("accept", [HTML, JSON])
def test_names_that_come_and_go_disturb_no_other(
    depot: harness.RunningDepot, names: list[bytes], accept: str, query: str
) -> None:
    with coming_and_going(depot.home.parent / "tree" / "many") as others:
        for _ in range(3):
            found = listed(read(depot, f"/many/{query}", accept))
            staying = [name for name in found if name not in others]
            assert len(set(found)) == len(found)
            assert set(found) <= {*names, *others}
            assert sorted(staying) == names
            assert query or found == sorted(found)


def peak_memory(pid: int) -> int:
    """Give the most memory that a process has had, in bytes; proc_pid_status(5), VmHWM."""
    match = re.search(r"VmHWM:\s+(\d+) kB", Path(f"/proc/{pid}/status").read_text())
    assert match
    return int(match[1]) * 1024


@pytest.mark.parametrize("accept", [HTML, JSON])
def test_slow_readers_get_all_and_cost_no_more_than_the_names(
    depot: harness.RunningDepot, long_names: list[bytes], accept: str
) -> None:
    read(depot, "/long/", accept)
    [worker] = depot.workers()
    before = peak_memory(worker)
    with contextlib.ExitStack() as stack:
        readers = [
            stack.enter_context(listing(depot, "/long/", accept, narrow=True)) for _ in range(4)
        ]
        bodies = [reader.read(1 << 16) for reader in readers]
        time.sleep(2)  # each has what it will hold
        start = time.monotonic()
        assert harness.answer(depot.raw(harness.get("/small"))).body == b"small"
        assert time.monotonic() - start < 10
        for place, reader in enumerate(readers):
            bodies[place] += slowly(reader)
    for body in bodies:
        assert listed(body) == long_names
    # A name is 174 bytes; all that would be sent is 9 MB in HTML.
    assert peak_memory(worker) - before < 4 * 8 * 1024 * 1024


def slowly(reader: http.client.HTTPResponse) -> bytes:
    pieces = []
    while piece := reader.read(1 << 18):
        pieces.append(piece)
        time.sleep(0.01)
    return b"".join(pieces)


def test_names_that_vanish_before_their_row_is_made_are_left_out(
    depot: harness.RunningDepot,
) -> None:
    folder = depot.home.parent / "tree" / "vanishing"
    names = fill(folder, stem=LONG)
    with listing(depot, "/vanishing/", HTML, narrow=True) as response:
        body = response.read(1 << 16)
        for name in names[COUNT // 2 :]:
            (folder / name.decode()).unlink()
        body += response.read()
    found = listed(body)
    assert len(found) < COUNT
    assert found == names[: len(found)]
    assert found[: COUNT // 2] == names[: COUNT // 2]


@contextlib.contextmanager
def stopped(depot: harness.RunningDepot) -> Iterator[None]:
    """Let the depot's workers stand still."""
    workers = depot.workers()
    for one in workers:
        os.kill(one, signal.SIGSTOP)
    try:
        yield
    finally:
        for one in workers:
            os.kill(one, signal.SIGCONT)


# What breaks off is never ended as if it were whole: RFC 9112 §8, an incomplete chunked body.
@pytest.mark.slow
@pytest.mark.parametrize("accept", [HTML, JSON])
def test_the_listing_of_a_folder_that_is_removed_breaks_off(
    depot: harness.RunningDepot, accept: str
) -> None:
    folder = depot.home.parent / "tree" / "removed"
    fill(folder, stem=LONG)
    with listing(depot, "/removed/", accept, narrow=True) as response:
        assert response.status == 200
        begun = response.read(1 << 16)
        # Names go before their folder does. Running on, the depot could find the last of them gone,
        # and end a listing that is right, while the folder is still there.
        with stopped(depot):
            shutil.rmtree(folder)
        with pytest.raises((http.client.IncompleteRead, ConnectionResetError)):
            response.read()
    assert begun
    serving.wait_for(lambda: depot.access_log().rstrip("\n").endswith(" cut -"))
    with listing(depot, "/removed/", accept) as response:
        assert response.status == 404


@contextlib.contextmanager
def failing(folder: Path, fault: str) -> Iterator[harness.RunningDepot]:
    """Serve a tree whose folder "many" the kernel refuses to read at some call."""
    many = folder / "tree" / "many"
    # -D: signals go to the depot, not to strace; -P: only calls that have to do with the folder.
    strace = [harness.need("strace"), "-D", "-f", "-qqq", "-o", "/dev/null", "-P", str(many)]
    (folder / "tree").mkdir()
    fill(many, FEWER)
    through = [*strace, "-e", f"trace={fault.partition(':')[0]}", "-e", f"inject={fault}"]
    with serving.serving(folder, serving.mount("/", folder / "tree"), through=through) as depot:
        yield depot
    assert "Traceback" not in depot.log()


@pytest.mark.parametrize("accept", [HTML, JSON])
@pytest.mark.parametrize(
    "fault",
    # strace counts by thread, and any of the worker's may look at a name.
    ["getdents64:error=EIO:when=5", "newfstatat:error=EIO:when=500"],
    ids=["a name", "the facts of a name"],
)
def test_a_listing_that_the_disk_fails_breaks_off(tmp_path: Path, fault: str, accept: str) -> None:
    with failing(tmp_path, fault) as depot:
        with listing(depot, "/many/", accept) as response:
            assert response.status == 200
            with pytest.raises((http.client.IncompleteRead, ConnectionResetError)):
                response.read()
        serving.wait_for(lambda: depot.access_log().rstrip("\n").endswith(" cut -"))


def read_to_the_end(client: socket.socket) -> None:
    while client.recv(65536):
        pass


def test_a_listing_without_a_length_breaks_off_in_a_reset(tmp_path: Path) -> None:
    # RFC 9112 section 6.3: to HTTP/1.0 the end of the connection is that of the body, so that an
    # orderly one would make the part look like the whole.
    with failing(tmp_path, "newfstatat:error=EIO:when=500") as depot:
        with socket.create_connection(("127.0.0.1", depot.port), 60) as client:
            request = harness.get("/many/", f"Accept: {JSON}")
            client.sendall(request.replace(b"HTTP/1.1", b"HTTP/1.0"))
            with pytest.raises(ConnectionResetError):
                read_to_the_end(client)
        depot.wait_for_log(r"WARNING an answer broke off after [1-9][0-9]* bytes: ")


def whole_within(depot: harness.RunningDepot, times: int) -> int:
    """Ask until a listing is whole; give how many names it has, or 0."""
    for _ in range(times):
        broken_off = contextlib.suppress(http.client.IncompleteRead, ConnectionResetError)
        with broken_off, listing(depot, "/many/", JSON) as response:
            body = response.read()
            if response.status == 200:
                return len(listed(body))
    return 0


@pytest.mark.parametrize(
    ("fault", "status"),
    [("getdents64:error=EIO:when=1", 503), ("getdents64:error=EACCES:when=1", 403)],
)
def test_a_folder_that_cannot_be_read_at_all_is_refused(
    tmp_path: Path, fault: str, status: int
) -> None:
    with failing(tmp_path, fault) as depot:
        with listing(depot, "/many/", HTML) as response:
            assert response.status == status
            response.read()
        # And the depot has let go of it: one of the next gets all. strace counts by thread, so
        # that the fault comes once more in each of the threads that read folders.
        assert whole_within(depot, FOLDER_THREADS) == FEWER
