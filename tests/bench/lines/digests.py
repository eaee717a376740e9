"""Lines 13 to 15: digests of large files, several digests in one read, and many small files."""

from __future__ import annotations

import hashlib
import os
import shutil
import time
from concurrent.futures import ThreadPoolExecutor
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from commands import run
from content import GIB, KIB, MIB
from figures import Case, Spread, check_ratio, spread
from stage import Stage, alternate, progress

from depotserve.tree.entry import Entry, Kind
from depotserve.tree.hashing import Asked, hash_files
from depotserve.tree.progress import Silent
from depotserve.tree.walk import walk

if TYPE_CHECKING:
    from collections.abc import Iterator

__all__ = ["large", "several", "small"]

_FILES = 16
_SMALL, _QUICK_SMALL = 200_000, 20_000
_PIECE = 1 * MIB
_ONE, _ALL = ("sha256",), ("sha256", "md5", "sha512")


def large(stage: Stage) -> Iterator[Case]:
    """Compare the bytes a second of all cores with those of as many bare threads."""
    size = (1 if stage.quick else 4) * GIB
    folder = _make(stage.work / "digests", _FILES, size // _FILES)
    works = [partial(_ours, folder, _ONE), partial(_threads, folder, stage.cores)]
    ours, bare = alternate(works, stage.rounds, _rate(size))
    shutil.rmtree(folder)
    figures = {
        "depotserve": {"GiB/s": spread(ours)},
        f"{stage.cores} bare threads": {"GiB/s": spread(bare)},
    }
    check = check_ratio("SHA-256, to bare threads", ours, bare, ">= 0.92")
    yield Case(13, f"{_FILES} files, {size // GIB} GiB in the page cache", figures, [check])


def several(stage: Stage) -> Iterator[Case]:
    """Compare the time of three digests of one file with that of the bare arithmetic of three."""
    size = (256 if stage.quick else 1024) * MIB
    folder = _make(stage.work / "digests", 1, size)
    works = [partial(_ours, folder, _ALL), *(partial(_arithmetic, name, size) for name in _ALL)]
    ours, *bare = alternate(works, stage.rounds, _seconds)
    shutil.rmtree(folder)
    figures: dict[str, dict[str, Spread]] = {"in one read": {"s": spread(ours)}}
    figures.update((f"bare {name}", {"s": spread(found)}) for name, found in zip(_ALL, bare))
    check = check_ratio(
        "time, to the sum of bare arithmetic", ours, list(map(sum, zip(*bare))), "<= 1.1"
    )
    yield Case(14, f"{', '.join(_ALL)} of {size // MIB} MiB", figures, [check])


def small(stage: Stage) -> Iterator[Case]:
    """Compare `tree manifest`, from its start and knowing nothing, with one bare loop."""
    count = _QUICK_SMALL if stage.quick else _SMALL
    progress(f"   making {count:,} files of 4 KiB")
    folder = _make(stage.work / "small", count, 4 * KIB)
    works = [partial(_manifest, folder, stage.work / "digests-state"), partial(_loop, folder)]
    ours, bare = alternate(works, stage.rounds, _seconds)
    shutil.rmtree(folder)
    figures = {
        "tree manifest": {"1,000 files/s": spread(count / 1000 / one for one in ours)},
        "bare loop": {"1,000 files/s": spread(count / 1000 / one for one in bare)},
    }
    check = check_ratio("files a second, to a bare loop", bare, ours, ">= 0.6")
    yield Case(15, f"{count:,} files of 4 KiB, read for the first time", figures, [check])


def _make(folder: Path, count: int, size: int) -> Path:
    """Make files of random bytes, which are in the page cache then, a thousand in a folder."""
    for number in range(count):
        place = folder / f"unit{number // 1000:04}"
        place.mkdir(parents=True, exist_ok=True)
        with open(place / f"part-{number:07}.bin", "wb") as file:
            file.writelines(os.urandom(min(left, _PIECE)) for left in range(size, 0, -_PIECE))
    os.sync()  # what the disk still writes would be measured
    return folder


def _seconds(work: partial[None]) -> float:
    begun = time.perf_counter()
    work()
    return time.perf_counter() - begun


def _rate(size: int) -> partial[float]:
    return partial(_rate_of, size)


def _rate_of(size: int, work: partial[None]) -> float:
    return size / GIB / _seconds(work)


def _ours(folder: Path, algorithms: tuple[str, ...]) -> None:
    found = (one for one in walk(folder) if isinstance(one, Entry) and one.kind is Kind.FILE)
    asked = (Asked(one, algorithms) for one in found)
    for done in hash_files(folder, asked, Silent()):
        if len(done.digests) != len(algorithms):
            raise RuntimeError(done.wrong or "a file changed")


def _files(folder: Path) -> Iterator[os.DirEntry[str]]:
    with os.scandir(folder) as found:
        for one in found:
            if one.is_dir(follow_symlinks=False):
                yield from _files(Path(one.path))
            else:
                yield one


def _threads(folder: Path, cores: int) -> None:
    with ThreadPoolExecutor(cores) as pool:
        for _ in pool.map(_hash, [one.path for one in _files(folder)]):
            pass


def _hash(path: str) -> bytes:
    digest, buffer = hashlib.sha256(), memoryview(bytearray(_PIECE))
    with open(path, "rb", buffering=0) as file:
        while count := file.readinto(buffer):
            digest.update(buffer[:count])
    return digest.digest()


def _arithmetic(name: str, size: int) -> None:
    digest, piece = hashlib.new(name), os.urandom(256 * KIB)
    for _ in range(size // len(piece)):
        digest.update(piece)


def _manifest(folder: Path, state: Path) -> None:
    shutil.rmtree(state, ignore_errors=True)
    run("tree", "manifest", str(folder), "--state", str(state))


def _loop(folder: Path) -> None:
    for one in _files(folder):
        with open(one.path, "rb", buffering=0) as file:
            hashlib.sha256(file.read()).digest()
