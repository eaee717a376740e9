from __future__ import annotations

import os
from typing import TYPE_CHECKING

from depotserve.process.watch import Watch, identify, observe

if TYPE_CHECKING:
    from pathlib import Path

OLD, NEW, NEWER = (1,), (2,), (3,)


def looks(watch: Watch, *seen: tuple[float, tuple[int, ...]]) -> list[bool]:
    """Give what each look decided, one after the other."""
    decisions = []
    for now, identity in seen:
        watch, due = observe(watch, identity, now)
        decisions.append(due)
    return decisions


def test_files_that_stay_as_they_are_are_never_read_again() -> None:
    assert looks(Watch(OLD), (0, OLD), (5, OLD), (500, OLD)) == [False, False, False]


def test_a_changed_file_is_read_once_it_stood_still_for_a_second() -> None:
    seen = ((0.0, NEW), (0.5, NEW), (0.99, NEW), (1.0, NEW))
    assert looks(Watch(OLD), *seen) == [False, False, False, True]


def test_each_further_change_begins_the_second_anew() -> None:
    seen = ((0.0, NEW), (0.5, NEWER), (1.25, NEWER), (1.5, NEWER))
    assert looks(Watch(OLD), *seen) == [False, False, False, True]


def test_a_change_that_is_taken_back_is_no_change() -> None:
    seen = ((0.0, NEW), (0.5, OLD), (1.5, NEW), (2.0, NEW), (2.5, NEW))
    assert looks(Watch(OLD), *seen) == [False, False, False, False, True]


def test_it_stays_due_until_it_is_taken() -> None:
    assert looks(Watch(OLD), (0, NEW), (1, NEW), (2, NEW)) == [False, True, True]


def test_every_kind_of_change_makes_another_identity(tmp_path: Path) -> None:
    file = tmp_path / "users"
    seen = {identify([file])}
    file.write_text("a")
    seen.add(identify([file]))
    file.write_text("ab")
    seen.add(identify([file]))
    os.utime(file, ns=(1, 1))
    seen.add(identify([file]))
    file.chmod(0o600)
    seen.add(identify([file]))
    (tmp_path / "new").write_text("ab")
    os.utime(tmp_path / "new", ns=(1, 1))
    (tmp_path / "new").rename(file)
    seen.add(identify([file]))
    assert len(seen) == 6
    assert identify([file]) == identify([file])
    assert identify([file, tmp_path / "none"]) != identify([file])
