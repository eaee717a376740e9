"""Small answers that leave together at the end of a turn, over real sockets."""

from __future__ import annotations

import asyncio
import socket
from collections import defaultdict
from typing import TYPE_CHECKING

import attrs
import pytest
from asking_kit import seeded

from depotserve.http.outbox import Outbox

if TYPE_CHECKING:
    from collections.abc import AsyncIterator

SECONDS = 20.0  # what anything here may take at most on a busy machine
MOST = 262144  # bytes that wait at most


@attrs.frozen(eq=False)
class Line:
    """A transport, and the socket of its client."""

    transport: asyncio.Transport
    client: socket.socket

    def came(self) -> bytes:
        """Give what has reached the client by now."""
        data = b""
        try:
            while piece := self.client.recv(1 << 20):
                data += piece
        except BlockingIOError:
            pass
        return data

    async def exactly(self, count: int) -> bytes:
        """Wait for so many bytes."""
        loop, data = asyncio.get_running_loop(), b""
        while len(data) < count:
            read = loop.sock_recv(self.client, count - len(data))
            piece = await asyncio.wait_for(read, SECONDS)
            assert piece, f"ended after {len(data)} of {count} bytes"
            data += piece
        return data


@pytest.fixture
async def lines() -> AsyncIterator[list[Line]]:
    """Connect five clients."""
    loop, made = asyncio.get_running_loop(), []
    for _ in range(5):
        ours, theirs = socket.socketpair()
        theirs.setblocking(False)
        transport, _ = await loop.create_connection(asyncio.Protocol, sock=ours)
        made.append(Line(transport, theirs))
    yield made
    for line in made:
        line.transport.abort()
        line.client.close()
    await asyncio.sleep(0)


async def next_turn() -> None:
    await asyncio.sleep(0)


async def test_answers_leave_when_the_turn_has_ended_and_not_before(lines: list[Line]) -> None:
    outbox = Outbox()
    for number, line in enumerate(lines):
        outbox.post(line.transport, b"answer %d" % number)
    assert [line.came() for line in lines] == [b""] * 5
    await next_turn()
    assert [line.came() for line in lines] == [b"answer %d" % number for number in range(5)]


async def test_all_that_is_posted_in_one_turn_leaves_together(lines: list[Line]) -> None:
    outbox, loop, seen = Outbox(), asyncio.get_running_loop(), []

    def answer(line: Line) -> None:
        seen.append([each.came() for each in lines])
        outbox.post(line.transport, b"x")

    for line in lines:
        loop.call_soon(answer, line)
    await next_turn()
    await next_turn()
    assert seen == [[b""] * 5] * 5
    assert [line.came() for line in lines] == [b"x"] * 5


async def test_answers_of_one_connection_keep_their_order(lines: list[Line]) -> None:
    outbox, chosen = Outbox(), seeded(5)
    sent: dict[Line, bytes] = defaultdict(bytes)
    for number in range(1000):
        line = chosen.choice(lines)
        data = b"%d of %d bytes;" % (number, chosen.randrange(100)) * chosen.randrange(9)
        outbox.post(line.transport, data)
        sent[line] += data
        if chosen.random() < 0.05:
            await next_turn()
    await next_turn()
    for line in lines:
        assert await line.exactly(len(sent[line])) == sent[line]
        assert line.came() == b""


async def test_what_is_written_after_a_flush_follows_what_was_posted(lines: list[Line]) -> None:
    outbox, line = Outbox(), lines[0]
    outbox.post(line.transport, b"first ")
    outbox.flush()
    line.transport.write(b"second ")
    outbox.post(line.transport, b"third")
    await next_turn()
    assert line.came() == b"first second third"


async def test_each_turn_has_its_own_end(lines: list[Line]) -> None:
    outbox = Outbox()
    for number in range(3):
        outbox.post(lines[0].transport, b"%d" % number)
        assert lines[0].came() == b""
        await next_turn()
        assert lines[0].came() == b"%d" % number


async def test_more_than_the_bound_leaves_at_once(lines: list[Line]) -> None:
    outbox, data = Outbox(), b"x" * (MOST // 5)
    for line in lines:
        outbox.post(line.transport, data)
    assert [line.came() for line in lines] == [b""] * 5
    outbox.post(lines[0].transport, b"four")  # whole fifths leave room for so many
    assert [line.came() for line in lines] == [b""] * 5
    outbox.post(lines[0].transport, b"!")
    assert [line.came() for line in lines] == [data + b"four!", *[data] * 4]
    # And what is counted begins anew.
    outbox.post(lines[1].transport, data)
    assert lines[1].came() == b""
    await next_turn()
    assert lines[1].came() == data


async def test_many_small_answers_past_the_bound_all_arrive_once(lines: list[Line]) -> None:
    outbox = Outbox()
    expected = b"".join(b"%07d\n" % number for number in range(100_000))
    arriving = asyncio.ensure_future(lines[0].exactly(len(expected)))
    for at in range(0, len(expected), 8):
        outbox.post(lines[0].transport, expected[at : at + 8])
    assert await arriving == expected
    assert lines[0].came() == b""


async def test_one_large_answer_leaves_at_once(lines: list[Line]) -> None:
    outbox, data = Outbox(), seeded(7).randbytes(MOST + 1)
    outbox.post(lines[0].transport, b"small")
    outbox.post(lines[1].transport, data)
    assert lines[0].came() == b"small"
    assert await lines[1].exactly(len(data)) == data


@pytest.mark.parametrize("end", ["close", "abort"])
async def test_a_connection_that_closes_is_left_out_and_the_others_are_not(
    lines: list[Line], end: str
) -> None:
    outbox = Outbox()
    for line in lines:
        outbox.post(line.transport, b"x")
    getattr(lines[2].transport, end)()
    await next_turn()
    assert [line.came() for line in lines] == [b"x", b"x", b"", b"x", b"x"]
    outbox.post(lines[2].transport, b"y")
    outbox.post(lines[3].transport, b"y")
    await next_turn()
    assert (lines[2].client.recv(1), lines[3].came()) == (b"", b"y")


async def test_a_client_that_has_gone_keeps_nothing_from_the_others(lines: list[Line]) -> None:
    outbox = Outbox()
    lines[1].client.close()
    for _ in range(3):
        for line in lines:
            outbox.post(line.transport, b"x")
        await next_turn()
    await asyncio.sleep(0.01)
    assert [lines[at].came() for at in (0, 2, 3, 4)] == [b"xxx"] * 4
    assert lines[1].transport.is_closing()


async def test_a_client_that_takes_nothing_keeps_nothing_from_the_others(
    lines: list[Line],
) -> None:
    outbox, data = Outbox(), b"x" * (MOST // 2)
    for _ in range(8):
        outbox.post(lines[0].transport, data)
        outbox.post(lines[1].transport, b"y")
        await next_turn()
    assert lines[1].came() == b"y" * 8
    assert await lines[0].exactly(8 * len(data)) == data * 8


async def test_a_flush_sends_now_and_only_once(lines: list[Line]) -> None:
    outbox = Outbox()
    outbox.post(lines[0].transport, b"x")
    outbox.flush()
    assert lines[0].came() == b"x"
    outbox.flush()
    await next_turn()
    await next_turn()
    assert lines[0].came() == b""


async def test_a_flush_of_nothing_does_nothing(lines: list[Line]) -> None:
    outbox = Outbox()
    outbox.flush()
    outbox.flush()
    outbox.post(lines[0].transport, b"x")
    await next_turn()
    assert [line.came() for line in lines] == [b"x", b"", b"", b"", b""]


def test_a_flush_of_nothing_needs_no_loop() -> None:
    outbox = Outbox()
    assert outbox.flush() is None  # type: ignore[func-returns-value]


async def test_an_empty_answer_is_none(lines: list[Line]) -> None:
    outbox = Outbox()
    outbox.post(lines[0].transport, b"")
    outbox.post(lines[0].transport, b"x")
    await next_turn()
    assert lines[0].came() == b"x"
