"""Connections counted over processes, in memory that nobody locks."""

from __future__ import annotations

import multiprocessing
import random
from collections import Counter

import pytest

from depotserve.http.census import Census

MOST = 100_000


def slots(number: int = 1) -> list[memoryview]:
    return [memoryview(bytearray(Census.SIZE)) for _ in range(number)]


def enter(census: Census, address: str) -> int:
    assert census.claim(MOST)
    return census.enter(address)


def test_connections_count_until_they_leave_in_all_workers() -> None:
    memory = slots(2)
    mine, yours = Census(memory[0], memory), Census(memory[1], memory)
    assert [enter(mine, "192.0.2.1"), enter(yours, "192.0.2.1"), enter(mine, "192.0.2.1")] == [
        1,
        2,
        3,
    ]
    assert enter(yours, "192.0.2.2") == 1
    assert (mine.total(), yours.total()) == (4, 4)
    mine.leave("192.0.2.1")
    assert yours.count("192.0.2.1") == 2
    mine.leave("192.0.2.1")
    yours.leave("192.0.2.1")
    assert (mine.count("192.0.2.1"), yours.count("192.0.2.1")) == (0, 0)
    assert mine.count("192.0.2.2") == 1
    yours.leave("192.0.2.2")
    assert mine.total() == 0
    assert [bytes(slot) for slot in memory] == [bytes(Census.SIZE)] * 2


@pytest.mark.parametrize(
    ("one", "same", "other"),
    [
        ("192.0.2.1", "::ffff:192.0.2.1", "192.0.2.2"),
        ("2001:db8:1:2::1", "2001:db8:1:2:ffff::7", "2001:db8:1:3::1"),
        ("fe80::1%eth0", "fe80::2", "fe81::1"),
        ("", "", "127.0.0.1"),  # a socket in the file system
    ],
)
def test_an_address_counts_by_its_network(one: str, same: str, other: str) -> None:
    memory = slots()
    census = Census(memory[0], memory)
    enter(census, one)
    assert census.count(same) == 1
    assert census.count(other) == 0


def test_a_place_is_claimed_only_while_there_is_one_in_all_workers() -> None:
    memory = slots(2)
    mine, yours = Census(memory[0], memory), Census(memory[1], memory)
    assert [mine.claim(3), yours.claim(3), yours.claim(3), mine.claim(3), yours.claim(3)] == [
        True,
        True,
        True,
        False,
        False,
    ]
    assert mine.total() == 3
    yours.give_back()
    assert mine.claim(3)
    assert not mine.claim(2)  # lowered below what there are
    assert yours.total() == 3


def test_a_dead_workers_slot_filled_with_zeros_counts_nothing() -> None:
    memory = slots(2)
    mine, dead = Census(memory[0], memory), Census(memory[1], memory)
    for _ in range(5):
        enter(mine, "192.0.2.1")
        enter(dead, "192.0.2.1")
    memory[1][:] = bytes(Census.SIZE)
    assert mine.count("192.0.2.1") == 5
    assert mine.total() == 5


def test_what_many_addresses_do_is_counted_exactly_by_each_worker_and_in_total() -> None:
    memory = slots(2)
    census, other = Census(memory[0], memory), Census(memory[1], memory)
    chance = random.Random(20240305)  # noqa: S311  # a fixed sequence
    there: Counter[str] = Counter()
    for _ in range(60_000):
        address = f"10.{chance.randrange(4)}.{chance.randrange(64)}.{chance.randrange(64)}"
        if there[address] and chance.random() < 0.4:
            census.leave(address)
            there[address] -= 1
        else:
            there[address] += 1
            assert enter(census, address) == there[address]
    assert other.total() == sum(there.values())
    # Some 14,000 addresses at once are more than the sets of one worker are sure to have room for.
    wrong = sum(other.count(address) != count for address, count in there.items())
    assert wrong < 0.01 * len(there)
    for address, count in there.items():
        for _ in range(count):
            census.leave(address)
    assert bytes(memory[0]) == bytes(Census.SIZE)


def test_an_address_without_a_place_is_known_to_its_worker_and_in_total() -> None:
    memory = slots(2)
    mine, yours = Census(memory[0], memory), Census(memory[1], memory)
    number = 0
    while -1 not in mine._places.values():  # noqa: SLF001  # the case can't be told from outside
        number += 1
        enter(mine, f"10.1.{number >> 8}.{number & 255}")
    address = f"10.1.{number >> 8}.{number & 255}"
    assert enter(mine, address) == 2
    assert yours.count(address) == 0
    assert enter(yours, address) == 1
    assert mine.count(address) == 3
    assert yours.total() == number + 2
    mine.leave(address)
    mine.leave(address)
    assert mine.count(address) == 1
    assert yours.total() == number


@pytest.mark.filterwarnings("ignore:This process:DeprecationWarning")
def test_four_processes_add_up() -> None:
    memory = slots_of_all(4)

    def work(worker: int) -> None:
        census = Census(memory[worker], memory)
        for _ in range(1000):
            enter(census, "192.0.2.1")
            enter(census, f"192.0.2.{worker + 2}")

    context = multiprocessing.get_context("fork")
    workers = [context.Process(target=work, args=(each,)) for each in range(4)]
    for each in workers:
        each.start()
    for each in workers:
        each.join(60)
        assert each.exitcode == 0
    census = Census(memory[0], memory)
    assert census.total() == 8000
    assert census.count("192.0.2.1") == 4000
    assert census.count("192.0.2.4") == 1000


def slots_of_all(number: int) -> list[memoryview]:
    shared = multiprocessing.get_context("fork").RawArray("B", Census.SIZE * number)
    whole = memoryview(shared).cast("B")
    return [whole[Census.SIZE * each : Census.SIZE * (each + 1)] for each in range(number)]
