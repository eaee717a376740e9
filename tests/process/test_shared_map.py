from __future__ import annotations

import os

import pytest

from depotserve.process.shared_map import SharedMap

SECTIONS = {"failures": 100, "totals": 16}


def test_slots_and_sections_do_not_overlap() -> None:
    shared = SharedMap(3, SECTIONS)
    for worker in range(3):
        for name, size in SECTIONS.items():
            part = shared.own(name, worker)
            assert part.nbytes == size
            part[:] = bytes([16 * worker + len(name)]) * size
    for name, size in SECTIONS.items():
        found = [bytes(part) for part in shared.every(name)]
        assert found == [bytes([16 * worker + len(name)]) * size for worker in range(3)]


def test_a_forked_process_writes_what_all_others_read() -> None:
    shared = SharedMap(2, SECTIONS)
    pid = os.fork()
    if pid == 0:
        shared.own("failures", 1)[:4] = b"told"
        os._exit(0)
    os.waitpid(pid, 0)
    assert bytes(shared.every("failures")[1][:4]) == b"told"
    assert bytes(shared.every("failures")[0]) == bytes(100)


def test_a_dead_workers_slot_is_cleared_and_no_other() -> None:
    shared = SharedMap(3, SECTIONS)
    for worker in range(3):
        shared.own("failures", worker)[:] = b"x" * 100
        shared.own("totals", worker)[:] = b"x" * 16
    shared.clear(1)
    assert [bytes(part[:1]) for part in shared.every("failures")] == [b"x", b"\0", b"x"]
    assert bytes(shared.own("totals", 1)) == bytes(16)


def test_other_workers_slots_can_be_read_only() -> None:
    shared = SharedMap(2, SECTIONS)
    with pytest.raises(TypeError, match="read-only"):
        shared.every("failures")[0][0] = 1


def test_sections_begin_at_whole_words() -> None:
    shared = SharedMap(2, {"odd": 3, "words": 64})
    assert shared.own("words", 1).cast("Q").nbytes == 64
