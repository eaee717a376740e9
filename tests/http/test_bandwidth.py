"""Turns under caps, with a clock of the test's own."""

from __future__ import annotations

import asyncio
import heapq
import time
from typing import TYPE_CHECKING, Any, cast

import attrs
import pytest

from depotserve import http
from depotserve.config import Cap, Hours, Listener, Mount, Settings
from depotserve.http import AccessLog, find_trees
from depotserve.http.bandwidth import Bandwidth, Pace

if TYPE_CHECKING:
    from pathlib import Path

PIECE = 65536
MOUNT, OTHER = "/gateway/", "/hosts/"
KB, MB = 1000, 1000_000


class Depot:
    """Workers that share memory and a clock, and transfers that take all they get."""

    def __init__(self, *caps: Cap, workers: int = 1, at: str = "12:00") -> None:
        self.now = 5000.0
        self.of_day = _seconds(at)
        memory = [memoryview(bytearray(Bandwidth.SIZE)) for _ in range(workers)]
        self.memory = memory
        self.workers = [
            Bandwidth(own, memory, lambda: self.now, lambda: self.of_day) for own in memory
        ]
        self.replace(*caps)

    def replace(self, *caps: Cap) -> None:
        """Have all workers go by other caps."""
        for worker in self.workers:
            worker.replace(caps)

    def begin(self, *numbers: int, mount: str = MOUNT, late: float = 0.001) -> list[Transfer]:
        """Begin a transfer in each of the workers named."""
        return [Transfer(_begun(self.workers[number], mount), late) for number in numbers]

    def run(self, seconds: float, transfers: list[Transfer]) -> None:
        """Let so much time pass; each transfer sends its pieces as their turns come."""
        end = self.now + seconds
        due = [(max(one.due, self.now), place) for place, one in enumerate(transfers)]
        heapq.heapify(due)
        while due[0][0] < end:
            self.now, place = heapq.heappop(due)
            transfers[place].turn(self.now)
            heapq.heappush(due, (transfers[place].due, place))
        self.now = end


@attrs.define
class Transfer:
    """A client that takes what it is sent at once; its worker's loop is `late` to wake up."""

    pace: Pace
    late: float
    due: float = 0.0
    waiting: int = 0
    sent: int = 0

    def turn(self, now: float) -> None:
        """Send the piece that waited, and take a turn for the next."""
        self.sent += self.waiting
        self.waiting = self.pace.allowed(PIECE)
        delay = self.pace.delay(self.waiting)
        # Even what need not wait takes a moment: 64 KiB at 2 GB/s.
        self.due = now + (delay + self.late if delay else 0.00003)


def _begun(worker: Bandwidth, mount: str) -> Pace:
    pace = worker.begin(mount)
    assert pace is not None
    return pace


def _seconds(of_day: str) -> float:
    """Give a moment in local time, since the epoch."""
    return time.mktime(time.strptime(f"2024-03-05 {of_day}", "%Y-%m-%d %H:%M"))


def _sent(transfers: list[Transfer]) -> int:
    return sum(one.sent for one in transfers)


@pytest.mark.parametrize("rate", [20 * KB, 300 * KB, 5 * MB, 100 * MB])
@pytest.mark.parametrize("numbers", [(0,), (0,) * 8, (0, 1), (0, 0, 0, 0, 0, 0, 0, 1), (0, 1) * 4])
@pytest.mark.parametrize("of", ["total", MOUNT])
def test_all_transfers_together_keep_to_a_cap_and_use_it(
    rate: int, numbers: tuple[int, ...], of: str
) -> None:
    depot = Depot(Cap(of, rate), workers=2)
    transfers = depot.begin(*numbers)
    depot.run(5, transfers)
    assert _sent(transfers) == pytest.approx(5 * rate, rel=0.1)
    for one in transfers:
        assert one.sent == pytest.approx(5 * rate / len(numbers), rel=0.3)


@pytest.mark.parametrize("late", [0.0, 0.02, 0.1])
def test_a_worker_whose_loop_is_late_makes_up_for_it(late: float) -> None:
    depot = Depot(Cap("total", 5 * MB))
    transfers = depot.begin(0, late=late)
    depot.run(5, transfers)
    assert _sent(transfers) == pytest.approx(25 * MB, rel=0.1)


def test_a_cap_of_connections_is_for_each() -> None:
    depot = Depot(Cap("connection", MB), workers=2)
    transfers = depot.begin(0, 0, 1)
    depot.run(5, transfers)
    for one in transfers:
        assert one.sent == pytest.approx(5 * MB, rel=0.1)


def test_the_next_transfer_of_a_connection_goes_on_under_its_cap() -> None:
    depot = Depot(Cap("connection", 100 * KB))
    worker, last, sent = depot.workers[0], None, 0
    end = depot.now + 5
    while depot.now < end:  # small files, one after the other
        pace = worker.begin(MOUNT, last)
        assert pace is not None
        depot.now += pace.delay(4096)
        pace.end()
        last, sent = pace, sent + 4096
    assert sent == pytest.approx(500 * KB, rel=0.1)


def test_the_narrowest_of_several_caps_rules() -> None:
    depot = Depot(
        Cap("total", 3 * MB), Cap(MOUNT, MB), Cap("connection", 800 * KB), Cap(MOUNT, 2 * MB)
    )
    alone = depot.begin(0)
    depot.run(5, alone)
    assert _sent(alone) == pytest.approx(5 * 800 * KB, rel=0.1)
    two = [*depot.begin(0), *alone]
    before = _sent(two)
    depot.run(5, two)
    assert _sent(two) - before == pytest.approx(5 * MB, rel=0.1)
    four = [*two, *depot.begin(0, 0, 0, 0, mount=OTHER)]
    before = _sent(four)
    depot.run(5, four)
    assert _sent(four) - before == pytest.approx(15 * MB, rel=0.1)


def test_what_one_transfer_leaves_goes_to_the_others_of_all_workers() -> None:
    depot = Depot(Cap("total", MB), Cap(OTHER, 100 * KB), workers=2)
    slow, fast = depot.begin(0, mount=OTHER), depot.begin(1)
    depot.run(5, [*slow, *fast])
    assert slow[0].sent == pytest.approx(500 * KB, rel=0.1)
    assert fast[0].sent == pytest.approx(4500 * KB, rel=0.1)


def test_a_transfer_that_waits_for_its_client_takes_nothing_from_others() -> None:
    depot = Depot(Cap("total", MB), workers=2)
    stalled, going = depot.begin(0), depot.begin(1)
    depot.run(1, [*stalled, *going])
    before = _sent(going)
    depot.run(5, going)
    assert _sent(going) - before == pytest.approx(5 * MB, rel=0.1)


def test_a_dead_worker_takes_nothing_from_others() -> None:
    depot = Depot(Cap("total", 20 * KB), workers=2)
    depot.run(5, depot.begin(*[0] * 50))
    depot.memory[0][:] = bytes(Bandwidth.SIZE)
    transfers = depot.begin(1)
    depot.run(5, transfers)
    assert _sent(transfers) == pytest.approx(100 * KB, rel=0.1)


def test_time_that_nobody_used_is_not_made_up_for() -> None:
    depot = Depot(Cap("total", MB))
    depot.run(1, depot.begin(0))
    depot.now += 1000
    transfers = depot.begin(0)
    depot.run(5, transfers)
    assert _sent(transfers) == pytest.approx(5 * MB, rel=0.1)


def test_a_cap_counts_in_its_hours_only_and_changes_under_way() -> None:
    depot = Depot(Cap("total", MB, Hours(6 * 60, 20 * 60)), at="05:59")
    transfers = depot.begin(0)
    assert transfers[0].pace.allowed(PIECE) == PIECE
    assert [transfers[0].pace.delay(PIECE) for _ in range(1000)] == [0.0] * 1000
    depot.of_day = _seconds("06:00")
    depot.run(5, transfers)
    assert _sent(transfers) == pytest.approx(5 * MB, rel=0.1)
    depot.of_day = _seconds("19:59")
    assert sum(transfers[0].pace.delay(PIECE) for _ in range(1000)) > 60
    depot.of_day = _seconds("20:00")
    assert transfers[0].pace.delay(PIECE) == 0


@pytest.mark.parametrize(
    ("hours", "inside", "outside"),
    [
        ((6 * 60, 20 * 60), (360, 700, 1199), (0, 359, 1200, 1439)),
        ((20 * 60, 6 * 60), (1200, 1439, 0, 359), (360, 700, 1199)),
        ((0, 1440), (0, 700, 1439), ()),
        ((1200, 1440), (1200, 1439), (0, 1199)),
        ((1200, 0), (1200, 1439), (0, 1199)),
    ],
)
def test_hours_hold_from_their_first_minute_up_to_their_last(
    hours: tuple[int, int], inside: tuple[int, ...], outside: tuple[int, ...]
) -> None:
    assert all(Hours(*hours).hold(minute) for minute in inside)
    assert not any(Hours(*hours).hold(minute) for minute in outside)


def test_changed_caps_count_for_transfers_under_way() -> None:
    depot = Depot(Cap("total", 20 * KB), workers=2)
    transfers = depot.begin(0, 1)
    depot.run(5, transfers)
    for rate in (2 * MB, 100 * KB):
        depot.replace(Cap(OTHER, KB), Cap("total", rate))
        depot.run(1, transfers)  # the pieces under way are those of the cap before
        before = _sent(transfers)
        depot.run(5, transfers)
        assert _sent(transfers) - before == pytest.approx(5 * rate, rel=0.1)
    depot.replace()
    assert transfers[0].pace.allowed(PIECE) == PIECE
    assert transfers[0].pace.delay(100 * MB) == 0


def test_turns_taken_under_a_narrower_cap_do_not_hold_up_a_wider_one() -> None:
    depot = Depot(Cap("total", KB))
    pace = depot.begin(0)[0].pace
    assert pace.delay(PIECE) == 0
    assert pace.delay(PIECE) > 60
    depot.replace(Cap("total", MB))
    assert pace.delay(PIECE) == 0


def test_a_transfer_that_no_cap_concerns_costs_nothing_until_one_does() -> None:
    depot = Depot(Cap(MOUNT, MB))
    worker = depot.workers[0]
    assert worker.begin(OTHER) is None
    assert worker.begin(None) is None
    assert worker.begin(MOUNT) is not None
    depot.replace()
    assert worker.begin(MOUNT) is None
    depot.replace(Cap("connection", MB))
    assert worker.begin(None) is not None


def test_a_narrow_cap_is_sent_in_small_pieces() -> None:
    depot = Depot(Cap("total", 80 * KB), workers=2)
    alone = depot.begin(0)[0].pace
    assert alone.allowed(PIECE) == 10 * KB  # an eighth of a second's
    assert alone.allowed(500) == 500
    others = depot.begin(0, 0, 1, 1)
    assert alone.allowed(PIECE) == 2 * KB
    for one in others:
        one.pace.end()
        one.pace.end()
    assert alone.allowed(PIECE) == 10 * KB
    depot.begin(*[1] * 100)
    assert alone.allowed(PIECE) == 1024


def test_pieces_of_a_wide_cap_are_never_so_small_that_waking_up_costs_more() -> None:
    depot = Depot(Cap("total", 40 * MB))
    transfers = depot.begin(*[0] * 1000)
    assert transfers[0].pace.allowed(PIECE) == 40 * KB


def test_a_body_that_goes_at_once_is_accounted_whole() -> None:
    depot = Depot(Cap("total", 10 * KB))
    pace = depot.begin(0)[0].pace
    assert pace.delay(50 * KB) == 0
    assert 4.5 < pace.delay(1) <= 5


async def test_answers_without_a_body_are_no_transfers_under_a_cap(tmp_path: Path) -> None:
    (tmp_path / "empty").touch()
    (tmp_path / "sensor").write_bytes(bytes(3000))
    listener = Listener("127.0.0.1", 0, "none")
    settings = Settings(
        home=tmp_path / "home",
        content=(Mount("/", tmp_path, "anonymous"),),
        listeners=(listener,),
        bandwidth=(Cap("total", MB),),
    )
    memory = memoryview(bytearray(Bandwidth.SIZE))
    log = AccessLog(tmp_path / "log", "combined")
    trees = find_trees(settings.content)
    depot = http.Depot(settings, trees, cast("Any", None), log, Bandwidth(memory, [memory]))
    loop = asyncio.get_running_loop()
    server = await loop.create_server(depot.protocol_factory(listener), "127.0.0.1", 0)
    reader, writer = await asyncio.open_connection(*server.sockets[0].getsockname()[:2])
    for line in (b"HEAD /sensor", b"GET /empty", b"GET /nowhere", b"GET /sensor", b"OPTIONS /"):
        writer.write(line + b" HTTP/1.1\r\nHost: h\r\n\r\n")
    writer.write(b"GET /sensor HTTP/1.1\r\nHost: h\r\nConnection: close\r\n\r\n")
    assert (await reader.read()).count(b"HTTP/1.1 ") == 6
    # The second half of a worker's memory holds how many transfers it has under way.
    assert bytes(memory[Bandwidth.SIZE // 2 :]) == bytes(Bandwidth.SIZE // 2)
    writer.close()
    server.close()
    await depot.drain(0)
