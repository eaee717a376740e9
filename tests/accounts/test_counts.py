"""Refusals counted over processes, in memory that nobody locks."""

from __future__ import annotations

import multiprocessing
import struct

import pytest
from account_kit import slots

from depotserve.accounts.addresses import network_of, pair_of
from depotserve.accounts.counts import FailureCounts, Tally

PAIR = pair_of("192.0.2.1", "ann")
NOW, WINDOW = 5000.0, 300.0


def in_set(number: int, tag: int) -> bytes:
    """Make a pair with a chosen set and tag, as a digest may give them."""
    return struct.pack(">QQ", tag, number)


def fail(counts: FailureCounts, pair: bytes, now: float) -> None:
    counts.settle(counts.reserve(pair, now), now)


def test_what_was_refused_is_seen_for_as_long_as_the_window() -> None:
    counts = FailureCounts((memory := slots())[0], memory)
    fail(counts, PAIR, NOW)
    fail(counts, PAIR, NOW + 10)
    assert counts.tally(PAIR, NOW + 20, WINDOW) == Tally((NOW, NOW + 10), 0)
    assert counts.tally(PAIR, NOW + WINDOW + 5, WINDOW) == Tally((NOW + 10,), 0)
    assert counts.tally(PAIR, NOW + WINDOW + 20, WINDOW) == Tally((), 0)
    assert counts.tally(pair_of("192.0.2.1", "bob"), NOW, WINDOW) == Tally((), 0)


def test_a_check_under_way_is_told_from_a_refusal_and_can_be_given_back() -> None:
    memory = slots(2)
    mine, yours = FailureCounts(memory[0], memory), FailureCounts(memory[1], memory)
    place = mine.reserve(PAIR, NOW)
    assert yours.tally(PAIR, NOW, WINDOW) == Tally((), 1)
    mine.give_back(place)
    assert yours.tally(PAIR, NOW, WINDOW) == Tally((), 0)
    mine.settle(place, NOW)  # too late: the record is free and may be another's
    assert yours.tally(PAIR, NOW, WINDOW) == Tally((), 0)


@pytest.mark.filterwarnings("ignore:This process:DeprecationWarning")
def test_four_processes_add_up() -> None:
    memory = slots(4)

    def work(worker: int) -> None:
        counts = FailureCounts(memory[worker], memory)
        for second in range(3):
            fail(counts, PAIR, NOW + second)

    context = multiprocessing.get_context("fork")
    workers = [context.Process(target=work, args=(each,)) for each in range(4)]
    for each in workers:
        each.start()
    for each in workers:
        each.join(60)
        assert each.exitcode == 0
    for reader in range(4):
        counts = FailureCounts(memory[reader], memory)
        assert len(counts.tally(PAIR, NOW + 5, WINDOW).refused) == 12


def test_a_dead_workers_slot_filled_with_zeros_counts_nothing() -> None:
    memory = slots(2)
    mine, dead = FailureCounts(memory[0], memory), FailureCounts(memory[1], memory)
    fail(mine, PAIR, NOW)
    fail(dead, PAIR, NOW)
    dead.reserve(PAIR, NOW)
    memory[1][:] = bytes(FailureCounts.SIZE)
    assert mine.tally(PAIR, NOW, WINDOW) == Tally((NOW,), 0)


def test_pairs_that_fall_into_one_set_are_told_apart() -> None:
    memory = slots()
    counts = FailureCounts(memory[0], memory)
    one, two = in_set(7, 1), in_set(7 + 128, 2)  # the set is a remainder
    for _ in range(10):
        fail(counts, one, NOW)
    assert len(counts.tally(one, NOW, WINDOW).refused) == 10
    assert counts.tally(two, NOW, WINDOW) == Tally((), 0)


def test_a_full_set_lets_its_oldest_record_go_and_none_of_another_set() -> None:
    memory = slots()
    counts = FailureCounts(memory[0], memory)
    fail(counts, in_set(8, 1), NOW - 100)
    oldest, newest = in_set(7, 1), in_set(7, 500)
    fail(counts, oldest, NOW)
    fail(counts, oldest, NOW + 1)
    for tag in range(2, 128):
        fail(counts, in_set(7, tag), NOW + tag)
    assert len(counts.tally(oldest, NOW + 200, WINDOW).refused) == 2
    fail(counts, newest, NOW + 200)
    assert counts.tally(oldest, NOW + 200, WINDOW).refused == (NOW + 1,)
    assert counts.tally(newest, NOW + 200, WINDOW).refused == (NOW + 200,)
    assert counts.tally(in_set(8, 1), NOW + 100, WINDOW).refused == (NOW - 100,)


def test_a_record_whose_place_was_taken_is_neither_settled_nor_given_back() -> None:
    memory = slots()
    counts = FailureCounts(memory[0], memory)
    place = counts.reserve(in_set(7, 1), NOW)
    for tag in range(2, 140):
        fail(counts, in_set(7, tag), NOW + tag)
    before = bytes(memory[0])
    counts.settle(place, NOW + 500)
    counts.give_back(place)
    assert bytes(memory[0]) == before


def test_a_slot_takes_256_kib_and_any_bytes_in_it_can_be_read() -> None:
    assert FailureCounts.SIZE == 256 * 1024
    memory = slots()
    memory[0][:] = b"\xff" * FailureCounts.SIZE
    counts = FailureCounts(memory[0], memory)
    assert counts.tally(PAIR, NOW, WINDOW) == Tally((), 0)


@pytest.mark.parametrize(
    ("address", "network"),
    [
        ("192.0.2.7", "192.0.2.7"),
        ("::ffff:192.0.2.7", "192.0.2.7"),  # RFC 4291 section 2.5.5.2
        ("::ffff:c000:207", "192.0.2.7"),
        ("2001:db8:1:2:3:4:5:6", "2001:db8:1:2::/64"),
        ("2001:db8:1:2::", "2001:db8:1:2::/64"),
        ("2001:db8:1:3::", "2001:db8:1:3::/64"),
        ("fe80::1%eth0", "fe80::/64"),
        ("::1", "::/64"),
        ("", ""),
        ("unix", "unix"),
    ],
)
def test_an_address_counts_by_its_network(address: str, network: str) -> None:
    assert network_of(address) == network


def test_no_two_pairs_run_together() -> None:
    pairs = [("a", "b"), ("ab", ""), ("", "ab"), ("a", ""), ("", "a")]
    assert len({pair_of(*pair) for pair in pairs}) == len(pairs)
