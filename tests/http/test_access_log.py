"""The access log as a depot writes it: bytes that really left, files moved away, full disks."""

from __future__ import annotations

import contextlib
import json
import logging
import os
import signal
import socket
import subprocess
from pathlib import Path
from typing import TYPE_CHECKING

import harness
import pytest
import serving

from depotserve.http import AccessLog
from depotserve.http.access_log import Record

if TYPE_CHECKING:
    from collections.abc import Iterator

LARGE = 64 * 1024 * 1024
# What the kernel holds for one connection at both ends: what it took has left the depot. tcp(7):
# the last number of each is the most that it lets the buffer grow to.
UNDER_WAY = sum(
    int(Path("/proc/sys/net/ipv4", name).read_text().split()[2])
    for name in ("tcp_rmem", "tcp_wmem")
)


@pytest.fixture(scope="module", params=["combined", "json"])
def depot(
    tmp_path_factory: pytest.TempPathFactory, request: pytest.FixtureRequest
) -> Iterator[harness.RunningDepot]:
    folder = tmp_path_factory.mktemp("log")
    make_tree(folder / "tree")
    listeners = [serving.PLAIN, serving.TLS]
    log = {"format": request.param, "to": "file"}
    mount = serving.mount("/", folder / "tree")
    with serving.serving(folder, mount, listeners=listeners, access_log=log) as running:
        yield running


def make_tree(root: Path) -> None:
    root.mkdir()
    (root / "f26.bin").write_bytes(b"abcdefghijklmnopqrstuvwxyz")
    with (root / "large.iso").open("wb") as file:
        os.truncate(file.fileno(), LARGE)


@pytest.fixture(params=[0, 1], ids=["plain", "tls"])
def number(request: pytest.FixtureRequest) -> int:
    chosen: int = request.param
    return chosen


_mark = iter(range(10**6))


def fresh(target: str) -> str:
    """Give a target that no other line of the log has."""
    return f"{target}?mark-{next(_mark)}"


def line_of(depot: harness.RunningDepot, target: str) -> tuple[int, int, str]:
    """Wait for the line of a target; give its status, its bytes and its outcome."""
    serving.wait_for(lambda: f"{target} " in depot.access_log().replace('"', " "))
    (line,) = [
        each for each in depot.access_log().splitlines() if f"{target} " in each.replace('"', " ")
    ]
    if line.startswith("{"):
        record = json.loads(line)
        return record["status"], record["bytes"], record["outcome"]
    words = line.rpartition('" "')[0].rpartition('" ')[2].split()
    status, sent = words[0], words[1]
    return int(status), 0 if sent == "-" else int(sent), line.split()[-2]


def ask(depot: harness.RunningDepot, number: int, target: str, *fields: str, **options: str) -> int:
    tls = depot.context() if number else None
    port = depot.endpoints[number].port
    received = harness.raw(port, harness.get(target, *fields, **options), tls=tls, silence=10)  # type: ignore[arg-type]
    return len(harness.answer(received).body)


@pytest.mark.parametrize(
    ("path", "fields", "expected"),
    [
        ("/f26.bin", [], (200, 26, "whole")),
        ("/f26.bin", ["Range: bytes=1-3"], (206, 3, "part")),
        ("/f26.bin", ["If-None-Match: *"], (304, 0, "whole")),
        ("/large.iso", [], (200, LARGE, "whole")),
        ("/large.iso", ["Range: bytes=5-"], (206, LARGE - 5, "part")),
    ],
)
def test_a_line_says_what_went_out(
    depot: harness.RunningDepot,
    number: int,
    path: str,
    fields: list[str],
    expected: tuple[int, int, str],
) -> None:
    target = fresh(path)
    assert ask(depot, number, target, *fields) == expected[1]
    assert line_of(depot, target) == expected


@pytest.mark.parametrize(
    ("path", "fields", "status"),
    [
        ("/f26.bin", ["Range: bytes=26-"], 416),
        ("/f26.bin", ["If-Match: none"], 412),
        ("/none", [], 404),
        ("/f26.bin", ["Range: bytes=0-1,5-6"], 206),
        ("/", [], 200),
    ],
)
def test_the_bytes_of_a_line_are_those_of_the_body(
    depot: harness.RunningDepot, path: str, fields: list[str], status: int
) -> None:
    target = fresh(path)
    length = ask(depot, 0, target, *fields)
    assert length > 0
    got = line_of(depot, target)
    assert (got[0], got[2]) == (status, "part" if status == 206 else "whole")
    # A listing comes in chunks, whose framing is no part of the content.
    assert got[1] == length if path != "/" else 0 < got[1] < length


def test_head_sends_no_byte_of_a_body(depot: harness.RunningDepot, number: int) -> None:
    target = fresh("/large.iso")
    assert ask(depot, number, target, method="HEAD") == 0
    assert line_of(depot, target) == (200, 0, "whole")


@pytest.mark.parametrize("reset", [False, True], ids=["closed", "reset"])
@pytest.mark.parametrize("taken", [1, 3_000_000, 20_000_000])
def test_a_client_that_goes_away_is_logged_as_cut_with_what_left(
    depot: harness.RunningDepot, number: int, taken: int, *, reset: bool
) -> None:
    target = fresh("/large.iso")
    tls = depot.context() if number else None
    received = 0
    with harness.connected(depot.endpoints[number].port, tls=tls) as connection:
        connection.sendall(harness.get(target))
        while received < taken:
            received += len(connection.recv(1 << 16))
        if reset:
            linger = (1).to_bytes(4, "little") + bytes(4)
            connection.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, linger)
    status, sent, outcome = line_of(depot, target)
    assert (status, outcome) == (200, "cut")
    # The head is received too; a piece under way when the client went is not counted under TLS.
    assert received - 128 * 1024 <= sent <= received + UNDER_WAY
    assert sent < LARGE


@pytest.mark.parametrize(("begun", "method"), [(b"HEAD", "HEAD"), (b"GET", "-")])
def test_a_request_that_can_not_be_read_has_a_line(
    depot: harness.RunningDepot, begun: bytes, method: str
) -> None:
    before = depot.access_log().count("\n")
    received = serving.ask(depot.port, begun + b" /x HTTP/one\r\n\r\n")
    assert received.status == 400
    assert (harness.answer(received.data).body == b"") == (method == "HEAD")
    serving.wait_for(lambda: depot.access_log().count("\n") > before)
    last = depot.access_log().splitlines()[-1]
    if last.startswith("{"):
        assert (json.loads(last)["method"], json.loads(last)["target"]) == (method, "-")
    else:
        assert last.split('"')[1].startswith(f"{method} - HTTP/")


# The file: moved away, removed, on a full disk.


@pytest.fixture
def one(tmp_path: Path) -> Iterator[harness.RunningDepot]:
    make_tree(tmp_path / "tree")
    with serving.serving(tmp_path, serving.mount("/", tmp_path / "tree")) as running:
        yield running


@pytest.mark.parametrize("tell", [True, False])
def test_a_log_that_was_removed_is_begun_anew(one: harness.RunningDepot, *, tell: bool) -> None:
    log = one.home / "log" / "access.log"
    ask(one, 0, "/f26.bin?before")
    serving.wait_for(lambda: "before" in one.access_log())
    log.unlink()
    if tell:
        one.signal(signal.SIGUSR1)
        serving.wait_for(lambda: not open_as(one, log))
    ask(one, 0, "/f26.bin?after")
    serving.wait_for(lambda: "after" in one.access_log())
    assert "before" not in one.access_log()
    assert log.stat().st_mode & 0o777 == 0o640


def open_as(depot: harness.RunningDepot, log: Path) -> bool:
    """Tell whether a worker still holds a log that was removed."""
    (worker,) = depot.workers()
    folder = f"/proc/{worker}/fd"
    return any(leads_to(f"{folder}/{name}") == f"{log} (deleted)" for name in os.listdir(folder))


def leads_to(link: str) -> str:
    """Read a link; "" for one that has gone since it was listed, as a descriptor may."""
    try:
        return os.readlink(link)
    except FileNotFoundError:
        return ""


def test_a_full_disk_stops_no_download_and_loses_no_line(tmp_path: Path) -> None:
    make_tree(tmp_path / "tree")
    home = harness.make_home(tmp_path / "home", tmp_path / "tree")
    harness.change_settings(home, listeners=[serving.PLAIN])
    (home / "log").mkdir(exist_ok=True)
    with small_disk(home / "log"):
        depot = harness.start(home, workers=1)
        try:
            filler = home / "log" / "filler"
            fill(filler)
            for number in range(50):
                assert ask(depot, 0, f"/f26.bin?number-{number}") == 26
            depot.wait_for_log("access log can't be written: No space left")
            assert depot.log().count("can't be written") == 1
            filler.unlink()
            assert ask(depot, 0, "/f26.bin?last") == 26
            serving.wait_for(lambda: "?last" in depot.access_log())
            depot.wait_for_log("written again; lines lost: 0")
        finally:
            depot.stop()
        lines = depot.access_log().splitlines()
    targets = [line.split()[6] for line in lines]
    assert targets == [*(f"/f26.bin?number-{number}" for number in range(50)), "/f26.bin?last"]


@contextlib.contextmanager
def small_disk(at: Path) -> Iterator[None]:
    """Mount a file system of 64 KiB; skips where that takes rights that a test lacks."""
    if os.geteuid() != 0:
        pytest.skip("only root can mount a file system here")
    options = ["-t", "tmpfs", "-o", "size=64k", "disk", str(at)]
    mounted = subprocess.run([harness.need("mount"), *options], capture_output=True, check=False)
    if mounted.returncode != 0:
        pytest.skip(f"no file system can be mounted here: {mounted.stderr.decode().strip()}")
    try:
        yield
    finally:
        subprocess.run([harness.need("umount"), "--lazy", str(at)], check=True)


def fill(file: Path) -> None:
    """Write until the disk is full, to its last page and the last byte of that."""
    with contextlib.suppress(OSError), file.open("wb", buffering=0) as open_file:
        while True:
            open_file.write(bytes(512))


async def test_lines_past_what_is_kept_are_counted_as_lost(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    path = tmp_path / "access.log"
    path.symlink_to("/dev/full")
    log = AccessLog(path, "json")
    record = Record(
        address="192.0.2.7",
        user="intake",
        when=0,
        method="GET",
        target=b"/" + b"x" * 60000,
        version=(1, 1),
        status=200,
        sent=0,
        seconds=0,
        outcome="whole",
        referrer="",
        agent="",
        previous=False,
    )
    total = 700
    with caplog.at_level(logging.WARNING, "depotserve"):
        for _ in range(total):
            log.write(record)
            log.flush()
        assert 0 < log.lost < total
        path.unlink()
        log.write(record)
        log.close()
    assert len(path.read_text().splitlines()) == total + 1 - log.lost
    assert [line for line in caplog.messages if f"lines lost: {log.lost}" in line]
    assert len(caplog.messages) == 2
