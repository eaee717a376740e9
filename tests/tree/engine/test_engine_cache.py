"""The cache of digests: what it saves, what it never says, and how it ends."""

from __future__ import annotations

import contextlib
import marshal
import os
import random
import shutil
import signal
import sqlite3
import subprocess
import sys
import time
from pathlib import Path
from typing import TYPE_CHECKING, Any

import engine_kit as kit
import harness
import pytest

from depotserve.errors import SurroundingsError
from depotserve.tree import cache
from depotserve.tree.entry import Kind, entry_of_state
from depotserve.tree.inventory import Inventory
from depotserve.tree.walk import Folder, folders

if TYPE_CHECKING:
    from collections.abc import Iterator

GIB = 1024**3
STOCK = 12  # trees: what a process of a parallel run takes


@pytest.fixture(scope="module")
def settled() -> list[Path]:
    """Give the trees that have settled and that no test has taken yet."""
    return []


@pytest.fixture
def plant(settled: list[Path], tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Give a tree of five files, settled; a stock of them is made at once, to wait but once."""
    if not settled:
        settled.extend(_plant(tmp_path_factory.mktemp("stock") / "plant") for _ in range(STOCK))
        time.sleep(kit.SETTLING)
    return settled.pop()


def _plant(root: Path) -> Path:
    (root / "docs").mkdir(parents=True)
    for name in ("a", "b", "c", "docs/d", "docs/e"):
        (root / name).write_bytes(b"reading of " + name.encode())
    return root


@pytest.fixture
def state(tmp_path: Path) -> Path:
    """Make a folder for state."""
    (tmp_path / "state").mkdir()
    return tmp_path / "state"


@contextlib.contextmanager
def _entered(root: Path, state: Path) -> Iterator[Inventory]:
    """Enter a tree, with what is remembered of it; what is learned within is kept."""
    with cache.opened(state, root) as known, contextlib.closing(Inventory(known)) as inventory:
        inventory.enter(folders(root))
        yield inventory


def _right(root: Path, state: Path) -> list[bytes]:
    """Run; every digest must be right; give what was read for that."""
    read, known = kit.run(root, state)
    assert known == kit.truth(root)
    return sorted(read)


def test_a_second_run_over_an_unchanged_tree_reads_nothing(plant: Path, state: Path) -> None:
    assert len(_right(plant, state)) == 5
    assert _right(plant, state) == []


# strace(1): the kernel saw the folders opened, and no file.
def test_a_second_run_opens_no_file_of_the_tree(plant: Path, state: Path, tmp_path: Path) -> None:
    kit.run(plant, state)
    calls = tmp_path / "calls"
    trace = [harness.need("strace"), "-f", "-qq", "-y", "-s", "4096", "-o", str(calls)]
    asked = "trace=open,openat,openat2,read,pread64,readv,mmap,execve"
    assert kit.ran(plant, state, through=[*trace, "-e", asked]) == (0, "0\n", "")
    # The cache's own pages name the tree's folders: what counts is opened, or read from.
    of_tree = [line for line in calls.read_text(errors="replace").splitlines()
               if f"<{plant}/" in line or ("open" in line and f'"{plant}/' in line)]  # fmt: skip
    assert [line for line in of_tree if "O_DIRECTORY" not in line] == []
    assert f'"{plant}/docs", ' in calls.read_text(errors="replace")


def test_without_a_cache_everything_is_read(plant: Path, state: Path) -> None:
    kit.run(plant, state)
    read, _ = kit.run(plant, None)
    assert len(read) == 5


def _replace(path: Path) -> None:
    path.with_name("new").write_bytes(b"x" * path.stat().st_size)
    os.rename(path.with_name("new"), path)


def _append(path: Path) -> None:
    with open(path, "ab") as stream:
        stream.write(b"more")


def _rewrite_keeping_size_and_mtime(path: Path) -> None:
    before = path.stat()
    with open(path, "r+b") as stream:
        stream.write(b"R")
    os.utime(path, ns=(before.st_atime_ns, before.st_mtime_ns))
    assert (path.stat().st_mtime_ns, path.stat().st_size) == (before.st_mtime_ns, before.st_size)


def _take_the_inode_over(path: Path) -> None:
    before = path.stat()
    for _ in range(200):
        path.unlink()
        path.write_bytes(b"y" * before.st_size)
        os.utime(path, ns=(before.st_atime_ns, before.st_mtime_ns))
        if path.stat().st_ino == before.st_ino:
            return
    pytest.skip("this file system does not give an inode to the next file")


CHANGES = [
    _replace,
    _append,
    os.utime,
    _rewrite_keeping_size_and_mtime,
    _take_the_inode_over,
    lambda path: os.truncate(path, 3),
    lambda path: os.chmod(path, 0o600),  # its change time is all that tells
]


@pytest.mark.parametrize("change", CHANGES)
def test_a_file_that_was_touched_in_any_way_is_read_again(
    plant: Path, state: Path, change: Any
) -> None:
    kit.run(plant, state)
    time.sleep(0.02)
    change(plant / "docs" / "d")
    assert _right(plant, state) == [b"docs/d"]


def test_files_that_changed_places_are_not_taken_for_each_other(plant: Path, state: Path) -> None:
    for name in ("a", "b"):
        (plant / name).write_bytes(b"same size " + name.encode())
        os.utime(plant / name, (1_700_000_000, 1_700_000_000))
    time.sleep(kit.SETTLING)
    kit.run(plant, state)
    os.rename(plant / "a", plant / "t")
    os.rename(plant / "b", plant / "a")
    os.rename(plant / "t", plant / "b")
    _right(plant, state)


def test_a_file_changed_within_two_seconds_before_the_run_is_not_remembered(
    plant: Path, state: Path
) -> None:
    (plant / "b").write_bytes(b"fresh")
    assert len(_right(plant, state)) == 5
    assert _right(plant, state) == [b"b"]
    time.sleep(kit.SETTLING)
    assert _right(plant, state) == [b"b"]
    assert _right(plant, state) == []


# A file written as reading began may be written again within the same tick of the clock that
# stamps it; a long file is done when that is long ago, so what counts is when reading began.
def test_a_file_that_was_fresh_when_reading_began_is_not_remembered_when_it_ends(
    plant: Path, state: Path
) -> None:
    (plant / "b").write_bytes(b"fresh")
    with _entered(plant, state) as inventory:
        (found,) = kit.sha256(plant, [kit.seen(plant / "b")]).values()
        time.sleep(kit.SETTLING)
        inventory.learn(b"b", found.digests)
    assert b"b" in _right(plant, state)


def test_a_file_from_the_future_is_not_remembered(plant: Path, state: Path) -> None:
    os.utime(plant / "a", (time.time() + 5000, time.time() + 5000))
    time.sleep(kit.SETTLING)
    kit.run(plant, state)
    assert _right(plant, state) == [b"a"]


# Beyond 2262 nanoseconds need more than the 63 bits that a database has for them.
@pytest.mark.parametrize("year", [1640, 1901, 1969, 2262, 2300, 2446, 9999])
def test_a_file_of_any_year_is_hashed_and_remembered_right(
    plant: Path, state: Path, year: int
) -> None:
    done = subprocess.run(
        [harness.need("touch"), "-d", f"{year}-06-01", str(plant / "a")], check=False
    )
    assert done.returncode == 0
    time.sleep(kit.SETTLING)
    assert len(_right(plant, state)) == 5
    assert _right(plant, state) in ([], [b"a"])


# Some file systems (network, FUSE) number files with all 64 bits.
def test_numbers_of_64_bits_are_entered_and_given_back_as_they_are_compared() -> None:
    large = entry_of_state(b"a", Kind.FILE, 5, 2**63 + 7, -(2**63) - 5, 2**64 - 1, 2**40)
    other = entry_of_state(b"b", Kind.FILE, 5, 2**63 + 8, -(2**63) - 5, 2**64 - 2, 2**40)
    states = {one.path: (int(one.kind), *one[2:]) for one in (large, other)}
    with contextlib.closing(Inventory()) as inventory:
        inventory.enter([Folder(b"", states, [])])
        assert (inventory.entry(b"a"), inventory.entry(b"b")) == (large, other)
    assert large[3:] != other[3:]


def test_one_state_folder_serves_two_trees(plant: Path, state: Path, tmp_path: Path) -> None:
    shutil.copytree(plant, tmp_path / "other")
    (tmp_path / "other" / "a").write_bytes(b"differs")
    time.sleep(kit.SETTLING)
    for root in (plant, tmp_path / "other"):
        assert len(_right(root, state)) == 5
    for root in (plant, tmp_path / "other"):
        assert _right(root, state) == []


def test_a_renamed_tree_is_still_known(plant: Path, state: Path, tmp_path: Path) -> None:
    kit.run(plant, state)
    os.rename(plant / "docs", plant / "papers")
    os.rename(plant, tmp_path / "moved")
    assert _right(tmp_path / "moved", state) == []


def test_other_facts_of_a_file_are_kept_beside_its_digests(plant: Path, state: Path) -> None:
    with _entered(plant, state) as inventory:
        inventory.learn(b"a", {"sha256": b"1", "structure": b""})
        inventory.learn(b"b", {"sha256": b"2"})
    with _entered(plant, state) as inventory:
        assert inventory.facts(b"a") == {"sha256": b"1", "structure": b""}
        inventory.learn(b"b", {"structure": b"?"})
    (plant / "c").unlink()
    with _entered(plant, state) as inventory:
        assert inventory.facts(b"a") == {"sha256": b"1", "structure": b""}
        assert inventory.facts(b"b") == {"sha256": b"2", "structure": b"?"}


def test_the_cache_is_born_private_and_no_file_but_it_is_left(plant: Path, state: Path) -> None:
    old = os.umask(0)
    try:
        kit.run(plant, state)
    finally:
        os.umask(old)
    assert os.listdir(state) == ["digests.db"]
    assert (state / "digests.db").stat().st_mode & 0o777 == 0o600


def test_a_state_folder_of_any_name_works(plant: Path, tmp_path: Path) -> None:
    for name in (b"\xff\n", b"it's", b"file:x?mode=ro", b"-rf", b"%00"):
        folder = tmp_path / os.fsdecode(name)
        folder.mkdir()
        assert len(_right(plant, folder)) == 5
        assert _right(plant, folder) == []


# What lies there that is no cache: one clear line, status 2, and not a byte of it is changed.


def _damaged(path: Path) -> None:
    path.write_bytes(b"not a database, but long enough to be looked at" * 40)


def _foreign(path: Path) -> None:
    with contextlib.closing(sqlite3.connect(path)) as database, database:
        database.execute("CREATE TABLE facts (pump TEXT)")
        database.execute("INSERT INTO facts VALUES ('seven')")


def _newer(path: Path) -> None:
    with contextlib.closing(sqlite3.connect(path)) as database, database:
        database.execute("CREATE TABLE facts (all_new TEXT)")
        database.execute("PRAGMA user_version = 99")


def _folder(path: Path) -> None:
    path.mkdir()


def _dangling(path: Path) -> None:
    path.symlink_to("nowhere/at/all")


@pytest.mark.parametrize(
    ("make", "what"),
    [
        (_damaged, "file is not a database"),
        (_foreign, "it is a database of something else"),
        (_newer, "it was written by another version of depotserve"),
        (_folder, "Is a directory"),
        (_dangling, "No such file or directory"),
        (os.mkfifo, ""),
    ],
)
def test_what_is_no_cache_is_one_clear_line_and_stays_as_it_is(
    plant: Path, state: Path, make: Any, what: str
) -> None:
    path = state / "digests.db"
    make(path)
    before = path.read_bytes() if path.is_file() else path.lstat().st_mode
    status, said, wrong = kit.ran(plant, state)
    assert (status, wrong) == (2, "")
    assert said.startswith(f"{path}: the cache of digests cannot be used: {what}"), said
    assert said.endswith("it can be removed, and is then made anew; --fresh does without it\n")
    assert said.count("\n") == 1
    assert before == (path.read_bytes() if path.is_file() else path.lstat().st_mode)


def test_a_cache_damaged_in_its_middle_is_one_clear_line(plant: Path, state: Path) -> None:
    for number in range(3000):
        (plant / f"{number}").write_bytes(b"x")
    time.sleep(kit.SETTLING)
    kit.run(plant, state)
    path = state / "digests.db"
    size = path.stat().st_size
    with open(path, "r+b") as stream:
        stream.seek(4096)
        stream.write(os.urandom(size - 4096))
    status, said, wrong = kit.ran(plant, state)
    assert (status, wrong, said.count("\n")) == (2, "", 1)
    assert "the cache of digests cannot be used: " in said


# Modes count for root when setpriv(1) takes its right to pass over them.
@pytest.mark.parametrize(
    ("file", "folder", "what"),
    [
        (0o400, 0o700, "Permission denied"),
        (0o600, 0o500, ""),  # no journal can be made; the words differ between versions of SQLite
        (0o600, 0o000, "Permission denied"),
    ],
)
def test_a_cache_that_cannot_be_written_is_told_before_anything_is_read(
    plant: Path, state: Path, file: int, folder: int, what: str
) -> None:
    kit.run(plant, state)
    (plant / "f").write_bytes(b"f")
    os.chmod(state / "digests.db", file)
    os.chmod(state, folder)
    try:
        status, said, wrong = kit.ran(plant, state, through=harness.bound_by_modes())
    finally:
        os.chmod(state, 0o700)
    assert (status, wrong) == (2, "")
    assert f"the cache of digests cannot be used: {what}" in said


def test_a_full_disk_is_one_clear_line_and_the_cache_is_good(plant: Path, tmp_path: Path) -> None:
    for number in range(3000):
        (plant / f"{number}").write_bytes(b"x")
    time.sleep(kit.SETTLING)
    with _mounted(tmp_path / "full", "-t", "tmpfs", "-o", "size=64k", "none") as folder:
        status, said, wrong = kit.ran(plant, folder)
        assert (status, wrong) == (2, "")
        assert "the cache of digests cannot be used: database or disk is full" in said
        assert _whole(folder)


@contextlib.contextmanager
def _mounted(place: Path, *arguments: str) -> Iterator[Path]:
    if os.geteuid():
        pytest.skip("only root can mount")
    place.mkdir()
    subprocess.run(["mount", *arguments, str(place)], check=True, timeout=60)
    try:
        yield place
    finally:
        subprocess.run(["umount", str(place)], check=True, timeout=60)


def _whole(state: Path) -> bool:
    with contextlib.closing(sqlite3.connect(state / "digests.db")) as database:
        return bool(database.execute("PRAGMA integrity_check").fetchall() == [("ok",)])


# What a disk gives back otherwise than it was written.


def _flip_each(database: sqlite3.Connection, column: str) -> None:
    """Flip a bit of one column in every row: the last of a number, one in the middle of bytes."""
    for (value,) in database.execute(f"SELECT {column} FROM folders").fetchall():  # noqa: S608
        flipped = value ^ 1 if isinstance(value, int) else _flipped(value)
        update = f"UPDATE folders SET {column} = ? WHERE {column} = ?"  # noqa: S608
        database.execute(update, (flipped, value))


def _flipped(value: bytes) -> bytes:
    middle = len(value) // 2
    return value[:middle] + bytes([value[middle] ^ 1]) + value[middle + 1 :]


@pytest.mark.parametrize("column", ["device", "complete", "brief", "proof", "facts", "states"])
def test_a_row_with_a_flipped_bit_is_as_good_as_none(plant: Path, state: Path, column: str) -> None:
    kit.run(plant, state)
    with contextlib.closing(sqlite3.connect(state / "digests.db")) as database, database:
        _flip_each(database, column)
    (plant / "a").unlink()  # the states that stand there are looked at where something has changed
    assert len(_right(plant, state)) == (2 if column == "states" else 4)
    assert _right(plant, state) == []


# One bit of a record's header makes text, or nothing, of bytes: SQLite file format, section 2.1.
@pytest.mark.parametrize("column", ["complete", "brief", "proof", "facts", "states"])
@pytest.mark.parametrize("value", ["text", None])
def test_a_row_of_other_types_is_as_good_as_none(
    plant: Path, state: Path, column: str, value: str | None
) -> None:
    kit.run(plant, state)
    with contextlib.closing(sqlite3.connect(state / "digests.db")) as database, database:
        database.execute(f"UPDATE folders SET {column} = ?", (value,))  # noqa: S608
    (plant / "a").unlink()
    assert len(_right(plant, state)) == (2 if column == "states" else 4)
    assert _right(plant, state) == []


def test_the_row_of_another_folder_is_not_believed(plant: Path, state: Path) -> None:
    kit.run(plant, state)
    with contextlib.closing(sqlite3.connect(state / "digests.db")) as database, database:
        database.execute("DELETE FROM folders WHERE inode = ?", (plant.stat().st_ino,))
        database.execute("UPDATE folders SET inode = ?", (plant.stat().st_ino,))
    assert len(_right(plant, state)) == 5
    assert _right(plant, state) == []


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(8))
def test_a_damaged_file_gives_right_answers_or_one_clear_line(
    plant: Path, state: Path, seed: int
) -> None:
    kit.run(plant, state)
    path, chance = state / "digests.db", random.Random(seed)  # noqa: S311  # no secret
    good, truth = path.read_bytes(), kit.truth(plant)
    for _ in range(25):
        damaged = bytearray(good)
        for _ in range(chance.choice((1, 1, 5, 40))):
            damaged[chance.randrange(len(good))] ^= 1 << chance.randrange(8)
        path.write_bytes(damaged[: chance.choice((len(good), len(good), chance.randrange(9999)))])
        with contextlib.suppress(SurroundingsError):
            assert kit.run(plant, state)[1] == truth


# Two at once, and ends of every kind.


@pytest.mark.slow
def test_two_processes_with_one_cache_both_end_well(
    plant: Path, state: Path, tmp_path: Path
) -> None:
    shutil.copytree(plant, tmp_path / "other")
    for root in (plant, tmp_path / "other"):
        for number in range(4000):
            (root / f"{number}").write_bytes(b"%d" % number)
    time.sleep(kit.SETTLING)
    running = [_started(root, state) for root in (plant, tmp_path / "other", plant)]
    for one in running:
        said, wrong = one.communicate(timeout=120)
        assert (one.returncode, wrong) == (0, b""), said
    assert _whole(state)
    for root in (plant, tmp_path / "other"):
        assert _right(root, state) == []


def test_a_cache_that_another_process_keeps_locked_is_one_clear_line(
    plant: Path, state: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    kit.run(plant, state)
    monkeypatch.setattr(cache, "_WAIT", 0.2)  # seconds
    with contextlib.closing(sqlite3.connect(state / "digests.db", isolation_level=None)) as other:
        other.execute("BEGIN EXCLUSIVE")
        with pytest.raises(SurroundingsError, match="cannot be used: database is locked"):
            kit.run(plant, state)


# A tree of millions of files takes a minute to be written down, and nobody waits that long.
def test_others_can_write_while_folders_are_kept(
    plant: Path, state: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(cache, "_HOLD", 0.0)
    with (
        cache.opened(state, plant) as known,
        contextlib.closing(
            sqlite3.connect(state / "digests.db", timeout=0.1, isolation_level=None)
        ) as other,
    ):

        def rows() -> Iterator[cache.Kept]:
            for number in range(4):
                other.execute("DELETE FROM folders WHERE inode = 99")
                yield cache.Kept(1, number, 0, 0, cache.dumps({}), cache.dumps({}))

        known.keep(rows())
        (count,) = other.execute("SELECT count(*) FROM folders").fetchone()
    assert count == 4


def _started(root: Path, state: Path) -> subprocess.Popen[bytes]:
    return subprocess.Popen(
        [sys.executable, kit.__file__, str(root), str(state)],
        env=kit.environment(), stdout=subprocess.PIPE, stderr=subprocess.PIPE,
        start_new_session=True,
    )  # fmt: skip


@pytest.mark.slow
@pytest.mark.parametrize("how", [signal.SIGINT, signal.SIGTERM, signal.SIGKILL])
def test_an_end_in_the_middle_leaves_a_good_cache_with_what_was_done(
    tmp_path: Path, state: Path, how: signal.Signals
) -> None:
    root = tmp_path / "plant"
    root.mkdir()
    for number in range(48):
        with open(root / f"{number}.img", "wb") as stream:
            stream.truncate(GIB // 16 - number)  # sparse
    with open(root / "long.img", "wb") as stream:
        stream.truncate(65 * GIB)  # the first to be read, and never done
    time.sleep(kit.SETTLING)
    if len(os.sched_getaffinity(0)) < 2:
        pytest.skip("one core reads the long file alone")
    running = _started(root, state)
    _until(lambda: _kept(state) >= 2)
    os.killpg(running.pid, how)
    running.communicate(timeout=60)
    assert running.returncode == (130 if how == signal.SIGINT else -how)
    assert _whole(state)
    (root / "long.img").unlink()
    (root / "a").write_bytes(b"a")
    read, _ = kit.run(root, state)
    assert len(read) <= 1 + 48 - 2


def _until(true: Any) -> None:
    end = time.monotonic() + 100
    while not true():
        assert time.monotonic() < end, "it did not come to pass"
        time.sleep(0.02)


def _kept(state: Path) -> int:
    with (
        contextlib.suppress(sqlite3.Error),
        contextlib.closing(
            sqlite3.connect(f"file:{state / 'digests.db'}?mode=ro", uri=True)
        ) as database,
    ):
        rows = database.execute("SELECT facts FROM folders").fetchall()
        return sum(len(marshal.loads(one).get("sha256", ())) for (one,) in rows)  # noqa: S302
    return 0


def test_an_interrupt_in_the_middle_keeps_all_that_was_pending(plant: Path, state: Path) -> None:
    with contextlib.suppress(KeyboardInterrupt), _entered(plant, state) as inventory:
        for one in kit.sha256(plant).values():
            inventory.learn(one.entry.path, one.digests)
        raise KeyboardInterrupt
    assert _right(plant, state) == []


# At each line of Python that takes part in it, one after the other.
def test_an_interrupt_while_it_writes_loses_nothing_that_was_pending(
    plant: Path, state: Path
) -> None:
    script = (
        "import contextlib, itertools, sys, pathlib, engine_kit as kit\n"
        "from depotserve.tree import cache, inventory\n"
        "from depotserve.tree.walk import folders\n"
        "root, state = map(pathlib.Path, sys.argv[1:])\n"
        "digests = {path: one.digests for path, one in kit.sha256(root).items()}\n"
        "own = (cache.__file__, inventory.__file__)\n"
        "for at in itertools.count():\n"
        "    left = at\n"
        "    def strike(frame, what, value):\n"
        "        global left\n"
        "        if frame.f_code.co_filename not in own:\n"
        "            return None\n"
        "        left -= what == 'line'\n"
        "        if left < 0:\n"
        "            sys.settrace(None)\n"
        "            raise KeyboardInterrupt\n"
        "        return strike\n"
        "    with cache.opened(state, root) as known:\n"
        "        with contextlib.closing(inventory.Inventory(known)) as entered:\n"
        "            entered.enter(folders(root))\n"
        "            for path, found in digests.items():\n"
        "                entered.learn(path, found)\n"
        "            try:\n"
        "                sys.settrace(strike)\n"
        "                entered.keep()\n"
        "                sys.settrace(None)\n"
        "                break\n"
        "            except KeyboardInterrupt:\n"
        "                pass\n"
        "    assert kit.run(root, state)[0] == [], at\n"
        "    (state / 'digests.db').unlink()\n"
        "print(at)\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", script, str(plant), str(state)],
        env=kit.environment(), capture_output=True, timeout=120, check=False,
    )  # fmt: skip
    assert done.stderr == b""
    assert int(done.stdout) > 20, "lines that were interrupted"


# File systems on which nothing is remembered, as far as this machine can mount them.


def test_nothing_is_remembered_on_fuse(plant: Path, state: Path, tmp_path: Path) -> None:
    bindfs = harness.need("bindfs")  # of Debian
    if not os.path.exists("/dev/fuse"):
        harness.missing("this kernel has no FUSE")
    plant = plant.rename(tmp_path / "plant")
    (tmp_path / "mirror").mkdir()
    done = subprocess.run(
        [bindfs, str(plant), str(tmp_path / "mirror")], capture_output=True, timeout=60, check=False
    )
    if done.returncode:
        harness.missing("this machine lets nobody mount with FUSE")
    try:
        assert len(_right(tmp_path / "mirror", state)) == 5
        assert len(_right(tmp_path / "mirror", state)) == 5
        # A mount within a tree counts for what lies in it alone.
        (tmp_path / "beside").write_bytes(b"beside")
        time.sleep(kit.SETTLING)
        assert len(_right(tmp_path, tmp_path.parent)) >= 11
        again = _right(tmp_path, tmp_path.parent)
        assert [one for one in again if one.startswith(b"mirror/")] != []
        assert [one for one in again if not one.startswith(b"mirror/")] == []
    finally:
        subprocess.run(["umount", str(tmp_path / "mirror")], check=True, timeout=60)
        (tmp_path.parent / "digests.db").unlink()


def _wrong(folder: Folder) -> bytes:
    return cache.dumps({"sha256": dict.fromkeys(folder.states, b"no" * 16)})


# A device's number is given anew when it is free: what it was does not count.
def test_what_was_remembered_is_not_believed_where_it_would_not_be_remembered(
    plant: Path, state: Path, tmp_path: Path
) -> None:
    bindfs = harness.need("bindfs")
    (tmp_path / "mirror").mkdir()
    done = subprocess.run(
        [bindfs, str(plant), str(tmp_path / "mirror")], capture_output=True, timeout=60, check=False
    )
    if done.returncode:
        harness.missing("this machine lets nobody mount with FUSE")
    try:
        kit.run(plant, state)
        with cache.opened(state, tmp_path / "mirror") as known:
            known.keep(
                cache.Kept(
                    found.device, found.inode, 0, 1, cache.dumps(found.states), _wrong(found)
                )
                for found in folders(tmp_path / "mirror")
            )
        assert len(_right(tmp_path / "mirror", state)) == 5
    finally:
        subprocess.run(["umount", str(tmp_path / "mirror")], check=True, timeout=60)


@pytest.mark.parametrize("kind", ["tmpfs", "overlay"])
def test_file_systems_of_this_machine_are_believed(
    plant: Path, state: Path, tmp_path: Path, kind: str
) -> None:
    for name in ("upper", "work"):
        (tmp_path / name).mkdir()
    options = f"lowerdir={plant},upperdir={tmp_path}/upper,workdir={tmp_path}/work"
    given = ["-o", options] if kind == "overlay" else []
    with _mounted(tmp_path / "here", "-t", kind, *given, "none") as root:
        (root / "new").write_bytes(b"new")
        time.sleep(kit.SETTLING)
        assert b"new" in _right(root, state)
        assert _right(root, state) == []
        (root / "new").write_bytes(b"wen")
        assert _right(root, state) == [b"new"]


# An image of ext4 through a loop device: its file may lie on anything.
def test_nothing_is_remembered_on_the_image_of_a_disk(state: Path, tmp_path: Path) -> None:
    with open(tmp_path / "disk.img", "wb") as stream:
        stream.truncate(8 * 1024 * 1024)
    image = str(tmp_path / "disk.img")
    subprocess.run([harness.need("mkfs.ext4"), "-q", image], check=True, timeout=60)
    try:
        mount = _mounted(tmp_path / "disk", "-o", "loop", image)
        with mount as root:
            (root / "a").write_bytes(b"a")
            time.sleep(kit.SETTLING)
            assert _right(root, state) == [b"a"]
            assert _right(root, state) == [b"a"]
    except subprocess.CalledProcessError:
        harness.missing("this machine has no loop devices")


def test_an_entry_that_is_not_believed_costs_nothing_in_the_cache(state: Path) -> None:
    seen = os.stat("/proc")
    states = {b"version": (int(Kind.FILE), 1, 1, 1, 1, seen.st_dev)}
    with (
        cache.opened(state, Path("/proc")) as known,
        contextlib.closing(Inventory(known)) as inventory,
    ):
        inventory.enter([Folder(b"", states, [], seen.st_ino, seen.st_dev)])
        inventory.learn(b"version", {"sha256": b"no" * 16})
    assert _kept(state) == 0
