"""What clients of a real depot get under its caps: within 20 % over five seconds."""

from __future__ import annotations

import signal
import socket
import time
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack
from typing import TYPE_CHECKING, Any

import attrs
import harness
import pytest
import serving

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

SECONDS = 5.0
KB, MB = 1000, 1000_000
LARGE = 10**10  # bytes, of which none take room on the disk
MOUNTS = ("gateway", "hosts", "names")
GATEWAY, HOSTS = "/gateway/large", "/hosts/large"


def cap(of: str, rate: int, hours: str | None = None) -> dict[str, Any]:
    """Write one entry of `bandwidth`."""
    entry: dict[str, Any] = {"of": of, "bytes_per_second": rate}
    return {**entry, "hours": hours} if hours else entry


@attrs.define
class Site:
    """A depot of two workers with two mounts, plain and over TLS, whose caps a test sets."""

    depot: harness.RunningDepot
    changes: int = 0

    def set(self, *caps: dict[str, Any], **limits: Any) -> None:
        """Put caps in force, as an administrator does."""
        harness.change_settings(self.depot.home, bandwidth=[*caps], limits=limits)
        self.changes += 1
        self.depot.signal(signal.SIGHUP)
        self.depot.wait_for_log("in force in all", times=self.changes)

    def fetch(self, target: str, *, tls: bool) -> socket.socket:
        """Begin to fetch, and give the connection with its body ahead."""
        port = next(one.port for one in self.depot.endpoints if (one.scheme == "https") is tls)
        connection = socket.create_connection(("127.0.0.1", port), 30)
        if tls:
            connection = self.depot.context().wrap_socket(connection, server_hostname="localhost")
        connection.sendall(harness.get(target, signed_in=False))
        head = b""
        while not head.endswith(b"\r\n\r\n"):
            byte = connection.recv(1)
            assert byte, head
            head += byte
        assert head.startswith(b"HTTP/1.1 200 "), head
        return connection

    def receive(
        self, *targets: str, tls: bool = False, during: Callable[[], None] | None = None
    ) -> list[int]:
        """Fetch all at once; give the bytes that each got in five seconds, after a first one."""
        with ExitStack() as open_ones, ThreadPoolExecutor(len(targets)) as pool:
            fetched = [self.fetch(target, tls=tls) for target in targets]
            for one in fetched:
                open_ones.enter_context(one)
            if during:
                during()
            begin = time.monotonic() + 1
            return list(pool.map(lambda one: _count(one, begin, begin + SECONDS), fetched))


def _count(connection: socket.socket, begin: float, end: float) -> int:
    """Read until `end`; count what came after `begin`."""
    count, buffer = 0, bytearray(1 << 18)
    while time.monotonic() < end:
        connection.settimeout(max(0.001, end - time.monotonic()))
        try:
            got = connection.recv_into(buffer)
        except (TimeoutError, socket.timeout):
            break
        assert got, "the depot ended a transfer"
        count += got if time.monotonic() >= begin else 0
    return count


@pytest.fixture(scope="module")
def running(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Site]:
    folder = tmp_path_factory.mktemp("site")
    for name in MOUNTS:
        (folder / name).mkdir()
        with (folder / name / "large").open("wb") as file:
            file.truncate(LARGE)
    (folder / "gateway" / "small").write_bytes(b"x" * 4096)
    (folder / "gateway" / "medium").write_bytes(b"x" * 4000)
    for number in range(100):
        (folder / "names" / f"unit-{number:03}").touch()
    mounts = [serving.mount(f"/{name}", folder / name, "anonymous") for name in MOUNTS]
    listeners = [serving.PLAIN, serving.TLS]
    with serving.serving(folder, *mounts, listeners=listeners, workers=2) as depot:
        yield Site(depot)
    assert "Traceback" not in depot.log()


@pytest.fixture
def site(running: Site) -> Iterator[Site]:
    yield running
    running.set()


def near(rate: float) -> Any:
    """Give what five seconds at a rate may bring."""
    return pytest.approx(rate * SECONDS, rel=0.2)


@pytest.mark.parametrize(
    ("rate", "number", "tls"),
    [
        (20 * KB, 1, False),
        (20 * KB, 8, True),
        (5 * MB, 8, False),
        (50 * MB, 1, True),
        (50 * MB, 8, False),
    ],
)
def test_all_connections_of_all_workers_keep_to_a_cap_in_total(
    site: Site, rate: int, number: int, *, tls: bool
) -> None:
    site.set(cap("total", rate))
    assert sum(site.receive(*([GATEWAY, HOSTS] * 4)[:number], tls=tls)) == near(rate)


def test_each_connection_keeps_to_a_cap_of_connections(site: Site) -> None:
    site.set(cap("connection", MB))
    assert site.receive(GATEWAY, HOSTS, HOSTS) == [near(MB)] * 3


def test_a_mount_keeps_to_its_cap_and_the_rest_to_that_of_all(site: Site) -> None:
    site.set(cap("/gateway", 500 * KB), cap("total", 4 * MB))
    first, second, third = site.receive(GATEWAY, GATEWAY, HOSTS)
    assert first + second == near(500 * KB)
    assert third == near(3500 * KB)


def test_a_cap_counts_in_its_hours_only(site: Site) -> None:
    now = time.time()
    inside, outside = _hours(now - 7200, now + 7200), _hours(now + 7200, now - 7200)
    site.set(cap("total", 100 * KB, outside), cap("total", 2 * MB, inside))
    assert sum(site.receive(GATEWAY, HOSTS)) == near(2 * MB)


def _hours(begin: float, end: float) -> str:
    return "-".join(time.strftime("%H:%M", time.localtime(moment)) for moment in (begin, end))


@pytest.mark.parametrize("tls", [False, True])
def test_a_cap_that_is_set_while_transfers_are_under_way_counts_for_them(
    site: Site, *, tls: bool
) -> None:
    for before in ((), (cap("total", 20 * KB),)):
        site.set(*before)
        later = lambda: site.set(cap("total", 2 * MB))  # noqa: E731
        assert sum(site.receive(GATEWAY, HOSTS, tls=tls, during=later)) == near(2 * MB)


def test_what_no_cap_concerns_any_more_goes_as_fast_as_it_can(site: Site) -> None:
    site.set(cap("/gateway", 20 * KB))
    gateway, hosts = site.receive(GATEWAY, HOSTS)
    assert gateway == near(20 * KB)
    assert hosts > 100 * MB
    assert sum(site.receive(GATEWAY, during=site.set)) > 100 * MB


@pytest.mark.parametrize("tls", [False, True])
def test_time_spent_under_a_cap_of_ours_is_no_stall(site: Site, *, tls: bool) -> None:
    # Pieces of 1 KiB for four transfers at 1 kB/s: each has one in four seconds.
    site.set(cap("total", KB), stalled_seconds=1)
    counts = _each(site, "/gateway/medium", 4, tls=tls)
    assert counts == [4000] * 4


def _each(site: Site, target: str, number: int, *, tls: bool) -> list[int]:
    def whole(connection: socket.socket) -> int:
        connection.settimeout(60)
        return sum(iter(lambda: len(connection.recv(65536)), 0))

    with ExitStack() as open_ones, ThreadPoolExecutor(number) as pool:
        fetched = [open_ones.enter_context(site.fetch(target, tls=tls)) for _ in range(number)]
        return list(pool.map(whole, fetched))


def test_small_files_one_after_the_other_keep_to_the_cap_of_their_connection(site: Site) -> None:
    site.set(cap("connection", 40 * KB))
    request = b"GET /gateway/small HTTP/1.1\r\nHost: h\r\n\r\n"
    with socket.create_connection(("127.0.0.1", site.depot.port), 30) as connection:
        sent, begin = 0, time.monotonic()
        while time.monotonic() < begin + SECONDS:
            connection.sendall(request)
            received = b""
            while not received.endswith(b"x" * 4096):
                received += connection.recv(65536)
            sent += 4096
    assert sent == near(40 * KB)


def test_a_listing_keeps_to_the_cap_too(site: Site) -> None:
    site.set(cap("total", 5 * KB))
    begin = time.monotonic()
    received = site.depot.raw(harness.get("/names/", signed_in=False), silence=20)
    seconds = time.monotonic() - begin
    assert received.count(b"unit-") >= 100
    assert len(received) < 1.2 * 5 * KB * seconds
