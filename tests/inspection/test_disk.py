from __future__ import annotations

from typing import TYPE_CHECKING

import harness
import pytest
from inspection_kit import findings, in_own_mounts, not_fine, said, unsound

from depotserve.inspection import Grade
from depotserve.inspection.disk import grade_of_room

if TYPE_CHECKING:
    from pathlib import Path

# The folder `{on}` with what was in it, on a file system of its own.
MEMORY = """
mount -t tmpfs -o size={size},nr_inodes={names} tmpfs {over}
cp -a {on}/. {over}/
mount --bind {over} {on}
"""


def _in_memory(on: Path, over: Path, *, size: str = "2g", names: int = 100_000) -> str:
    over.mkdir(exist_ok=True)
    return MEMORY.format(on=on, over=over, size=size, names=names)


def test_the_room_is_told_once_for_each_file_system(home: Path) -> None:
    found = [one for one in findings(home) if one.topic == "disk"]
    assert len(found) == 1
    assert found[0].text.startswith(f"{home}/state: ")


def test_a_home_in_memory_is_fine(home: Path, tmp_path: Path) -> None:
    script = _in_memory(home, tmp_path / "memory")
    assert not_fine(said(home, 0, through=in_own_mounts(script))) == []


def test_a_full_disk_is_the_one_fault(home: Path, tmp_path: Path) -> None:
    script = _in_memory(home, tmp_path / "memory", size="80m")
    fill = f"dd if=/dev/zero of={home}/log/old bs=1M 2>&- || true"
    found = not_fine(said(home, 1, through=in_own_mounts(f"{script}{fill}")))
    text = f"{home}/state: 0 MiB free of 80 MiB: no room for log and state"
    assert found == [("fault", "disk", text)]


def test_little_room_is_a_fault_before_there_is_none(home: Path, tmp_path: Path) -> None:
    script = _in_memory(home, tmp_path / "memory", size="60m")
    ((grade, topic, text),) = not_fine(said(home, 1, through=in_own_mounts(script)))
    assert (grade, topic) == ("fault", "disk")
    assert text.endswith(" MiB free of 60 MiB: no room for log and state")


GIB, MIB = 1 << 30, 1 << 20


@pytest.mark.parametrize(
    ("free", "size", "grade"),
    [
        (100 * GIB, 8000 * GIB, Grade.FINE),  # one per cent, and room for years of log
        (1 * GIB, 8000 * GIB, Grade.FINE),
        (1 * GIB - 1, 8000 * GIB, Grade.CAUTION),
        (500 * MIB, 2 * GIB, Grade.FINE),  # a small disk that never had more
        (100 * MIB, 2 * GIB, Grade.CAUTION),
        (64 * MIB, 2 * GIB, Grade.CAUTION),
        (64 * MIB - 1, 2 * GIB, Grade.FAULT),
        (0, 80 * MIB, Grade.FAULT),
    ],
)
def test_the_room_that_is_enough_hangs_on_the_disk_where_that_is_small(
    free: int, size: int, grade: Grade
) -> None:
    assert grade_of_room(free, size) is grade


def test_no_names_left_is_a_fault_though_there_is_room(home: Path, tmp_path: Path) -> None:
    script = _in_memory(home / "state", tmp_path / "memory", names=20)
    ((grade, topic, text),) = not_fine(said(home, 1, through=in_own_mounts(script)))
    assert (grade, topic) == ("fault", "disk")
    assert text.startswith(f"{home}/state: room for ")
    assert text.endswith(" more files (inodes) on its disk")


def test_few_names_left_are_a_caution(home: Path, tmp_path: Path) -> None:
    script = _in_memory(home / "state", tmp_path / "memory", names=500)
    ((grade, topic, _),) = not_fine(said(home, 0, through=in_own_mounts(script)))
    assert (grade, topic) == ("caution", "disk")


def test_a_home_that_is_mounted_read_only_is_one_fault_and_what_is_advised_mends_it(
    home: Path, tmp_path: Path
) -> None:
    script = f"{_in_memory(home, tmp_path / 'memory')}mount -o remount,ro,bind {home}\n"
    found = said(home, 1, through=in_own_mounts(script))
    text = f"{home}/state: its file system is mounted read-only"
    assert not_fine(found) == [("fault", "disk", text)]
    (advice,) = [row["advice"] for row in found if row["advice"]]
    mend = advice.partition(";")[0].replace("remount,rw", "remount,rw,bind")
    assert not_fine(said(home, 0, through=in_own_mounts(f"{script}{mend}"))) == []


def test_a_log_on_a_disk_of_its_own_is_looked_at_too(home: Path, tmp_path: Path) -> None:
    script = _in_memory(home / "log", tmp_path / "memory", size="1m")
    ((grade, topic, text),) = not_fine(said(home, 1, through=in_own_mounts(script)))
    assert (grade, topic) == ("fault", "disk")
    assert text.startswith(f"{home}/log: ")


def test_a_lower_limit_of_descriptors_is_a_caution(home: Path) -> None:
    prlimit = [harness.need("prlimit"), "--nofile=1024:1024"]
    harness.change_settings(home, workers=1)
    ((grade, topic, text),) = not_fine(said(home, 0, through=prlimit))
    assert (grade, topic) == ("caution", "descriptors")
    # 1024 less 32 of the worker's own, two a connection (process/faults.py).
    assert text.startswith("limits.connections is 8192, but 1024 descriptors a process")
    assert " are enough for 496 " in text
    assert unsound(home) == []
