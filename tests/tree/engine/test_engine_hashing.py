"""Digests of many files: right, of one read, and whatever happens to the files meanwhile."""

from __future__ import annotations

import contextlib
import hashlib
import os
import re
import signal
import subprocess
import sys
import threading
import time
from pathlib import Path
from typing import TYPE_CHECKING

import engine_kit as kit
import harness
import pytest

from depotserve.cores import usable_cores
from depotserve.errors import SurroundingsError
from depotserve.tree import digests, hasher
from depotserve.tree.entry import Entry, Kind
from depotserve.tree.hashing import Asked, Hashed, hash_files
from depotserve.tree.progress import Silent

if TYPE_CHECKING:
    from collections.abc import Callable

PIECE = hasher.PIECE
SIZES = (0, 1, PIECE - 1, PIECE, PIECE + 1, 2 * PIECE, 5 * 1024 * 1024 + 3)
# As hashlib calls them; shortened BLAKE2b is RFC 7693 with a digest of fewer octets.
ALGORITHMS = (
    "md5", "sha1", "sha224", "sha256", "sha384", "sha512",
    "sha3_224", "sha3_256", "sha3_384", "sha3_512", "blake2b", "blake2s",
)  # fmt: skip


@pytest.fixture
def plant(tmp_path: Path) -> Path:
    """Make an empty tree."""
    root = tmp_path / "plant"
    root.mkdir()
    return root


class Counted:
    """Progress that adds up."""

    def __init__(self) -> None:
        self.files = self.size = self.steps = 0

    def begin(self, what: str, files: int, size: int) -> None:
        """Nothing has begun yet."""

    def step(self, files: int, size: int) -> None:
        """Add up."""
        self.files += files
        self.size += size
        self.steps += 1


def _own_hashers() -> list[int]:
    """Give the processes of this one that hash."""
    found = []
    for pid in harness.children(os.getpid()):
        with contextlib.suppress(OSError):
            command = Path(f"/proc/{pid}/cmdline").read_bytes()
            if b"hasher.py" in command:
                found.append(pid)
    return found


def test_every_algorithm_gives_what_hashlib_gives_at_every_edge_of_a_piece(plant: Path) -> None:
    for size in SIZES:
        (plant / f"pump-{size}.bin").write_bytes(os.urandom(size))
    done = kit.hashed(plant, (Asked(entry, ALGORITHMS) for entry in kit.files(plant)))
    assert len(done) == len(SIZES)
    for path, found in done.items():
        content = (plant / os.fsdecode(path)).read_bytes()
        assert found.digests == {
            name: hashlib.new(name, content).digest() for name in ALGORITHMS
        }, path


def test_every_algorithm_that_lists_may_name_is_asked_of_a_hasher_by_its_name(plant: Path) -> None:
    (plant / "membrane.bin").write_bytes(b"membrane")
    spelled = (
        "MD5",
        "SHA1",
        "SHA2-256",
        "SHA-512",
        "SHA3-256",
        "BLAKE2b",
        "BLAKE2b-256",
        "BLAKE2s",
    )
    names = tuple(found.name for text in spelled if (found := digests.named(text)))
    assert len(names) == len(spelled)
    (found,) = kit.hashed(plant, [Asked(kit.seen(plant / "membrane.bin"), names)]).values()
    expected = {
        "blake2b-256": hashlib.blake2b(b"membrane", digest_size=32).digest(),
        **{n: hashlib.new(n, b"membrane").digest() for n in names if n != "blake2b-256"},
    }
    assert found.digests == expected


# proc(5): the kernel makes the content up as it is read, and says that the size is 0.
def test_a_file_that_holds_more_than_its_size_says_has_no_digest() -> None:
    root = Path("/proc/sys/kernel/random")
    if not (root / "boot_id").is_file():
        harness.missing("this machine has no /proc/sys")
    (found,) = kit.sha256(root, [kit.seen(root / "boot_id")]).values()
    assert (found.digests, found.wrong) == ({}, "37 bytes can be read of it, 0 by its size")


def test_a_sparse_file_counts_with_all_its_zeros(plant: Path) -> None:
    with open(plant / "disk.img", "wb") as stream:
        stream.truncate(9_000_001)
        stream.seek(4_000_000)
        stream.write(b"brine")
    assert {p: d.digests["sha256"] for p, d in kit.sha256(plant).items()} == kit.truth(plant)


# strace(1) counts what the kernel handed over: each byte once, and one open, for twelve digests.
def test_many_digests_of_a_file_cost_one_read(plant: Path, tmp_path: Path) -> None:
    size = 3 * PIECE + 7
    (plant / "valve.bin").write_bytes(os.urandom(size))
    calls = tmp_path / "calls"
    script = (
        "import sys, pathlib, engine_kit as kit\n"
        "from depotserve.tree.hashing import Asked\n"
        "root = pathlib.Path(sys.argv[1])\n"
        "asked = [Asked(one, tuple(sys.argv[2:])) for one in kit.files(root)]\n"
        "(found,) = kit.hashed(root, asked).values()\n"
        "print(len(found.digests))\n"
    )
    trace = [harness.need("strace"), "-f", "-qq", "-y", "-o", str(calls)]
    done = subprocess.run(
        [*trace, "-e", "trace=openat,read,readv,pread64,preadv,mmap", sys.executable, "-c", script,
         str(plant), *ALGORITHMS],
        env=kit.environment(), capture_output=True, timeout=120, check=False,
    )  # fmt: skip
    assert (done.stdout, done.stderr) == (b"12\n", b"")
    lines = [line for line in calls.read_text(errors="replace").splitlines() if "valve.bin" in line]
    opened = [line for line in lines if "openat(" in line]
    read = [int(found[1]) for line in lines if (found := re.search(r"\) += (\d+)$", line))]
    assert len(opened) == 1, lines
    assert len(lines) - len(opened) == len(read), lines
    assert sum(read) == size, lines


def test_the_kit_in_a_process_of_its_own_reads_every_file(plant: Path) -> None:
    for number in range(5):
        (plant / f"{number}").write_bytes(b"x" * number)
    assert kit.ran(plant) == (0, "5\n", "")


def test_names_of_any_bytes_are_hashed(plant: Path) -> None:
    names = [
        b"-n",
        b"--",
        b"line\nfeed",
        b"\xff\xfe",
        b"back\\slash",
        b"a" * 255,
        b" ",
        b"%s",
        b"\r",
    ]
    for name in names:
        with open(os.path.join(os.fsencode(plant), name), "wb") as stream:
            stream.write(name)
    done = kit.sha256(plant)
    assert {path: one.digests["sha256"] for path, one in done.items()} == {
        name: hashlib.sha256(name).digest() for name in names
    }


def test_a_root_of_any_bytes_is_hashed(tmp_path: Path) -> None:
    root = tmp_path / os.fsdecode(b"-\xff\n")
    root.mkdir()
    (root / "a").write_bytes(b"a")
    assert kit.sha256(root)[b"a"].digests == {"sha256": hashlib.sha256(b"a").digest()}


def test_the_locale_of_a_hasher_does_not_change_names(tmp_path: Path) -> None:
    root = tmp_path / "Füllstand"
    root.mkdir()
    (root / "Öl").write_bytes(b"oil")
    for locale in ("C", "POSIX", "C.UTF-8"):
        done = subprocess.run(
            [sys.executable, kit.__file__, str(root)],
            env={**kit.environment(), "LC_ALL": locale, "PYTHONUTF8": "1"},
            capture_output=True, text=True, timeout=120, check=False,
        )  # fmt: skip
        assert (done.returncode, done.stdout, done.stderr) == (0, "1\n", "")


# More than a pipe holds goes each way at once: paths near PATH_MAX (4,096 bytes, limits.h) one way,
# twelve digests of 128 files the other.
def test_long_paths_and_many_digests_do_not_wait_for_each_other(plant: Path) -> None:
    deep = os.fsencode(plant)
    while len(deep) < 3600:
        deep += b"/" + b"d" * 200
    os.makedirs(deep)
    room = 4095 - len(deep) - 1
    for number in range(1200):
        with open(deep + b"/" + str(number).encode().rjust(min(room, 250), b"f"), "wb"):
            pass
    asked = [Asked(entry, ALGORITHMS) for entry in kit.files(plant)]
    done = _within_seconds(100, lambda: kit.hashed(plant, asked))
    assert len(done) == 1200
    assert {one.wrong for one in done.values()} == {""}


def _within_seconds(seconds: float, work: Callable[[], dict[bytes, Hashed]]) -> dict[bytes, Hashed]:
    outcome: list[dict[bytes, Hashed]] = []
    thread = threading.Thread(target=lambda: outcome.append(work()), daemon=True)
    thread.start()
    thread.join(seconds)
    assert outcome, "it did not end"
    return outcome[0]


def test_a_path_longer_than_the_system_takes_is_told_and_ends_nothing(plant: Path) -> None:
    (plant / "a").write_bytes(b"a")
    long = Entry(b"/".join([b"x" * 200] * 30), Kind.FILE, 5)
    done = kit.sha256(plant, [long, *kit.files(plant)])
    assert done[long.path].wrong == "File name too long"
    assert done[b"a"].digests["sha256"] == hashlib.sha256(b"a").digest()


def test_files_that_ask_for_different_digests_get_each_their_own(plant: Path) -> None:
    for number in range(700):
        (plant / f"{number:03}").write_bytes(b"%d" % number)
    kinds = (("sha256",), ("md5", "sha256"), ("sha512",))
    asked = [Asked(entry, kinds[at % 3]) for at, entry in enumerate(kit.files(plant))]
    done = kit.hashed(plant, asked)
    for at, entry in enumerate(kit.files(plant)):
        content = b"%d" % int(entry.path)
        expected = {name: hashlib.new(name, content).digest() for name in kinds[at % 3]}
        assert done[entry.path].digests == expected


def test_progress_counts_every_file_and_byte_and_moves_within_a_large_file(plant: Path) -> None:
    with open(plant / "large.img", "wb") as stream:
        stream.truncate(300 * 1024 * 1024)
    (plant / "small").write_bytes(b"12345")
    counted = Counted()
    asked = [Asked(entry, ("sha256",)) for entry in kit.files(plant)]
    assert len(list(hash_files(plant, asked, counted))) == 2
    assert (counted.files, counted.size) == (2, 300 * 1024 * 1024 + 5)
    assert counted.steps >= 5


# What changes between the walk and the end of reading.


def test_a_file_that_changed_since_it_was_seen_has_no_digest(plant: Path) -> None:
    (plant / "a").write_bytes(b"before")
    entry = kit.seen(plant / "a")
    (plant / "a").write_bytes(b"after!")
    (found,) = kit.sha256(plant, [entry]).values()
    assert (found.changed, found.grown, found.digests, found.wrong) == (True, False, {}, "")


def test_a_file_that_only_its_change_time_betrays_is_changed(plant: Path) -> None:
    (plant / "a").write_bytes(b"before")
    entry = kit.seen(plant / "a")
    time.sleep(0.02)
    (plant / "a").write_bytes(b"after!")
    os.utime(plant / "a", ns=(entry.mtime, entry.mtime))
    (found,) = kit.sha256(plant, [entry]).values()
    assert (found.changed, found.digests) == (True, {})


def test_a_file_that_was_replaced_is_changed_not_grown(plant: Path) -> None:
    (plant / "a").write_bytes(b"before")
    entry = kit.seen(plant / "a")
    (plant / "new").write_bytes(b"longer than before")
    os.rename(plant / "new", plant / "a")
    (found,) = kit.sha256(plant, [entry]).values()
    assert (found.changed, found.grown) == (True, False)


def test_a_file_that_got_longer_before_it_was_read_is_growing(plant: Path) -> None:
    (plant / "a.iso").write_bytes(b"half")
    entry = kit.seen(plant / "a.iso")
    with open(plant / "a.iso", "ab") as stream:
        stream.write(b" and more")
    (found,) = kit.sha256(plant, [entry]).values()
    assert (found.changed, found.grown, found.digests) == (True, True, {})


@pytest.mark.slow
def test_a_file_that_grows_while_it_is_read_is_growing_and_reading_ends(plant: Path) -> None:
    with open(plant / "a.iso", "wb") as stream:
        stream.truncate(400 * 1024 * 1024)
    entry = kit.seen(plant / "a.iso")
    over = threading.Event()

    def grow() -> None:
        with open(plant / "a.iso", "ab", buffering=0) as stream:
            while not over.wait(0.005):
                stream.write(b"x" * 1000)

    reading = hash_files(plant, [Asked(entry, ("sha256", "sha3_512"))], _Waiting(grow))
    try:
        (found,) = list(reading)
    finally:
        over.set()
    assert (found.changed, found.grown, found.digests) == (True, True, {})


class _Waiting:
    """Progress that begins a change when the first bytes of a file have been read."""

    def __init__(self, change: Callable[[], None]) -> None:
        self._thread = threading.Thread(target=change)

    def begin(self, what: str, files: int, size: int) -> None:
        """Nothing has begun yet."""

    def step(self, files: int, size: int) -> None:  # noqa: ARG002
        """Begin the change, once."""
        if not files and self._thread.ident is None:
            self._thread.start()


@pytest.mark.slow
def test_a_file_rewritten_while_it_is_read_is_changed(plant: Path) -> None:
    with open(plant / "a.iso", "wb") as stream:
        stream.truncate(400 * 1024 * 1024)
    entry = kit.seen(plant / "a.iso")

    def rewrite() -> None:
        with open(plant / "a.iso", "r+b") as stream:
            stream.write(b"x")
        os.utime(plant / "a.iso", ns=(entry.mtime, entry.mtime))

    asked = [Asked(entry, ("sha256", "sha3_512"))]
    (found,) = list(hash_files(plant, asked, _Waiting(rewrite)))
    assert (found.changed, found.grown, found.digests) == (True, False, {})


def test_a_fifo_in_the_place_of_a_file_never_blocks(plant: Path) -> None:
    (plant / "a").write_bytes(b"a")
    entry = kit.seen(plant / "a")
    (plant / "a").unlink()
    os.mkfifo(plant / "a")
    done = _within_seconds(60, lambda: kit.sha256(plant, [entry]))
    assert done[b"a"].wrong == "no regular file"


def test_a_link_or_a_folder_in_the_place_of_a_file_is_not_read(plant: Path, tmp_path: Path) -> None:
    (tmp_path / "secret").write_bytes(b"secret")
    for name in ("link", "folder"):
        (plant / name).write_bytes(b"secret")
    entries = kit.files(plant)
    for name in ("link", "folder"):
        (plant / name).unlink()
    (plant / "link").symlink_to(tmp_path / "secret")
    (plant / "folder").mkdir()
    done = kit.sha256(plant, entries)
    assert done[b"link"].wrong == "Too many levels of symbolic links"
    assert done[b"folder"].wrong == "Is a directory"


def test_a_folder_that_became_a_link_gives_nothing_of_what_lies_outside(
    plant: Path, tmp_path: Path
) -> None:
    (plant / "docs").mkdir()
    (plant / "docs" / "a").write_bytes(b"inside")
    entries = kit.files(plant)
    os.rename(plant / "docs", tmp_path / "old")
    (tmp_path / "outside").mkdir()
    (tmp_path / "outside" / "a").write_bytes(b"secret")
    (plant / "docs").symlink_to(tmp_path / "outside")
    (found,) = kit.sha256(plant, entries).values()
    assert (found.changed, found.digests) == (True, {})


def test_thousands_of_files_that_vanish_are_each_told(plant: Path) -> None:
    for number in range(3000):
        (plant / f"{number}").write_bytes(b"x")
    entries = kit.files(plant)
    for number in range(0, 3000, 2):
        (plant / f"{number}").unlink()
    done = kit.sha256(plant, entries)
    assert len(done) == 3000
    for number in range(3000):
        wrong = done[b"%d" % number].wrong
        assert wrong == ("" if number % 2 else "No such file or directory")


def test_a_whole_tree_that_vanishes_while_it_is_hashed_ends_the_work(plant: Path) -> None:
    for number in range(4000):
        (plant / f"{number:04}").write_bytes(b"x" * 2000)
    entries = kit.files(plant)
    done = 0
    for one in hash_files(plant, [Asked(e, ("sha256",)) for e in entries], Silent()):
        done += 1
        if done == 1:
            for entry in entries:
                (plant / os.fsdecode(entry.path)).unlink()
        assert one.digests or one.wrong or one.changed
    assert done == 4000


# setpriv(1) takes from root what lets it read everything.
def test_a_file_that_may_not_be_read_is_told_with_the_reason(plant: Path) -> None:
    (plant / "open").write_bytes(b"o")
    (plant / "closed").write_bytes(b"c")
    (plant / "closed").chmod(0)
    script = (
        "import sys, pathlib, engine_kit as kit\n"
        "for path, one in sorted(kit.sha256(pathlib.Path(sys.argv[1])).items()):\n"
        "    print(path.decode(), one.wrong, len(one.digests))\n"
    )
    done = subprocess.run(
        [*harness.bound_by_modes(), sys.executable, "-c", script, str(plant)],
        env=kit.environment(), capture_output=True, text=True, timeout=120, check=False,
    )  # fmt: skip
    assert (done.stdout, done.stderr) == ("closed Permission denied 0\nopen  1\n", "")


# Processes.


def test_no_process_is_started_when_there_is_nothing_to_read(plant: Path, tmp_path: Path) -> None:
    calls = tmp_path / "calls"
    trace = (harness.need("strace"), "-f", "-qq", "-s", "4096", "-o", str(calls))
    trace += ("-e", "trace=execve")
    (tmp_path / "state").mkdir()
    assert kit.ran(plant, tmp_path / "state", through=trace) == (0, "0\n", "")
    assert "hasher.py" not in calls.read_text()
    (plant / "a").write_bytes(b"a")
    assert kit.ran(plant, tmp_path / "state", through=trace) == (0, "1\n", "")
    assert calls.read_text().count("hasher.py") == 1


def test_a_few_files_start_one_process_and_many_as_many_as_cores(plant: Path) -> None:
    for number in range(2000):
        (plant / f"{number}").write_bytes(b"x")
    for few, processes in ((5, 1), (2000, len(os.sched_getaffinity(0)))):
        asked = [Asked(entry, ("sha256",)) for entry in kit.files(plant)[:few]]
        work = hash_files(plant, asked, Silent())
        next(work)
        assert len(_own_hashers()) == processes
        assert len(list(work)) == few - 1
        assert _own_hashers() == []


@pytest.mark.slow
def test_leaving_early_ends_every_process(plant: Path) -> None:
    for number in range(5000):
        (plant / f"{number}").write_bytes(b"x")
    work = hash_files(plant, [Asked(e, ("sha256",)) for e in kit.files(plant)], Silent())
    next(work)
    pids = _own_hashers()
    assert pids
    work.close()
    assert not any(Path(f"/proc/{pid}").exists() for pid in pids)


def test_open_descriptors_stay_few_and_none_is_left(plant: Path) -> None:
    for number in range(3000):
        (plant / f"{number}").write_bytes(b"x")
    entries = kit.files(plant)
    before = len(os.listdir("/proc/self/fd"))
    most = 0
    for _ in hash_files(plant, [Asked(e, ("sha256",)) for e in entries], Silent()):
        most = max(most, len(os.listdir("/proc/self/fd")))
    cores = len(os.sched_getaffinity(0))
    assert most <= before + 2 * cores + 2
    assert len(os.listdir("/proc/self/fd")) == before


@pytest.mark.slow
def test_a_process_that_is_killed_is_one_clear_line(plant: Path) -> None:
    with open(plant / "large.img", "wb") as stream:
        stream.truncate(1024**3)
    asked = [Asked(kit.seen(plant / "large.img"), ALGORITHMS)]
    with pytest.raises(SurroundingsError) as caught:
        list(hash_files(plant, asked, _Waiting(lambda: os.kill(_own_hashers()[0], 9))))
    assert str(caught.value) == "a process that hashes files ended by itself (-9)"
    assert _own_hashers() == []


def test_a_process_killed_between_two_files_is_one_clear_line(plant: Path) -> None:
    for number in range(5000):
        (plant / f"{number:04}").write_bytes(b"x")
    work = hash_files(plant, [Asked(e, ("sha256",)) for e in kit.files(plant)], Silent())
    next(work)
    for pid in _own_hashers():
        os.kill(pid, signal.SIGKILL)
    with pytest.raises(SurroundingsError, match=r"ended by itself \(-9\)"):
        list(work)
    assert _own_hashers() == []


def test_a_machine_that_starts_no_more_processes_is_one_clear_line(plant: Path) -> None:
    (plant / "a").write_bytes(b"a")
    script = (
        "import resource, sys, engine_kit as kit\n"
        "used = len(__import__('os').listdir('/proc/self/fd'))\n"
        "resource.setrlimit(resource.RLIMIT_NOFILE, (used + 2, used + 2))\n"
        "kit.main()\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", script, str(plant)],
        env=kit.environment(), capture_output=True, text=True, timeout=120, check=False,
    )  # fmt: skip
    said = "no process to hash files can be started: Too many open files\n"
    assert (done.returncode, done.stdout, done.stderr) == (2, said, "")


# What a person's Ctrl-C is: SIGINT to every process of the terminal's foreground group.
@pytest.mark.parametrize("late", [0.0, 0.002, 0.005, 0.01, 0.02, 0.05, 0.5])
def test_an_interrupt_of_the_whole_group_is_the_parents_to_answer(plant: Path, late: float) -> None:
    _large_and_small(plant)
    running = _started(plant)
    _hashers_of(running.pid)
    time.sleep(late)  # the first of them are still beginning
    os.killpg(running.pid, signal.SIGINT)
    _, said = running.communicate(timeout=60)
    assert (running.returncode, said) == (130, b"")
    _nobody_is_left(running.pid)


def test_a_killed_parent_leaves_no_process_behind(plant: Path) -> None:
    _large_and_small(plant)
    running = _started(plant)
    _hashers_of(running.pid)
    time.sleep(0.5)
    running.kill()
    _, said = running.communicate(timeout=60)
    assert said == b""
    _nobody_is_left(running.pid)


def _large_and_small(root: Path) -> None:
    with open(root / "large.img", "wb") as stream:
        stream.truncate(30 * 1024**3)  # sparse; longer than any test runs
    for number in range(200):
        (root / f"{number}").write_bytes(b"x")


def _started(root: Path, *state: Path) -> subprocess.Popen[bytes]:
    return subprocess.Popen(
        [sys.executable, kit.__file__, str(root), *map(str, state)],
        env=kit.environment(), stdout=subprocess.PIPE, stderr=subprocess.PIPE,
        start_new_session=True,
    )  # fmt: skip


def _hashers_of(pid: int) -> list[int]:
    end = time.monotonic() + 30
    while time.monotonic() < end:
        found = harness.children(pid)
        if found:
            return found
        time.sleep(0.001)
    pytest.fail("nothing was started")


def _nobody_is_left(group: int) -> None:
    """Every process of the group has ended; the last ends within a piece of its file."""
    end = time.monotonic() + 30
    while time.monotonic() < end:
        try:
            os.killpg(group, 0)
        except ProcessLookupError:
            return
        time.sleep(0.05)
    os.killpg(group, signal.SIGKILL)
    pytest.fail("a process is left")


# unshare(1) gives a /proc of nothing: mountinfo cannot be read, so nothing is remembered.
def test_without_proc_files_are_hashed_and_nothing_is_remembered(
    plant: Path, tmp_path: Path
) -> None:
    if os.geteuid():
        pytest.skip("only root can make a mount namespace here")
    (plant / "a").write_bytes(b"a")
    (tmp_path / "state").mkdir()
    time.sleep(kit.SETTLING)
    hidden = 'mount -t tmpfs none /proc && exec "$@"'
    through = (harness.need("unshare"), "--mount", "sh", "-ec", hidden, "sh")
    for _ in range(2):
        assert kit.ran(plant, tmp_path / "state", through=through) == (0, "1\n", "")


def test_a_closed_standard_error_or_input_stops_nothing(plant: Path) -> None:
    (plant / "a").write_bytes(b"a")
    for closed in ("2>&-", "<&-", "<&- 2>&-"):
        through = ("sh", "-c", f'exec "$@" {closed}', "sh")
        assert kit.ran(plant, through=through) == (0, "1\n", ""), closed


# taskset(1): the processors that this one may use, not those that the machine has.
def test_as_many_processes_are_started_as_cores_may_be_used(plant: Path, tmp_path: Path) -> None:
    for number in range(1000):
        (plant / f"{number}").write_bytes(b"x")
    calls = tmp_path / "calls"
    trace = (harness.need("strace"), "-f", "-qq", "-s", "4096", "-o", str(calls))
    trace += ("-e", "trace=execve")
    through = (harness.need("taskset"), "-c", str(min(os.sched_getaffinity(0))), *trace)
    assert kit.ran(plant, through=through) == (0, "1000\n", "")
    assert calls.read_text().count("hasher.py") == 1


def test_cores_are_those_that_a_process_is_bound_to() -> None:
    asked = "from depotserve.cores import usable_cores; print(usable_cores())"
    bound = [harness.need("taskset"), "-c", str(min(os.sched_getaffinity(0)))]
    done = subprocess.run(
        [*bound, sys.executable, "-c", asked],
        env=kit.environment(), capture_output=True, timeout=60, check=True,
    )  # fmt: skip
    assert done.stdout == b"1\n"
    assert usable_cores() == len(os.sched_getaffinity(0))
