"""Scan a tree: what is remembered is not asked again, the rest goes to several workers."""

from __future__ import annotations

import contextlib
import queue
import time
from concurrent.futures import FIRST_COMPLETED, Future, ThreadPoolExecutor, wait
from datetime import datetime, timezone
from typing import TYPE_CHECKING, NamedTuple

import attrs

from depotserve.tree.acceptance import Accepting
from depotserve.tree.entry import Entry, Kind
from depotserve.tree.finding import Finding
from depotserve.tree.finding import Kind as Found
from depotserve.tree.names import look_at_odd
from depotserve.tree.progress import Progress, Silent
from depotserve.tree.scan.content import ChangedError, UnreadableError, opened
from depotserve.tree.scan.hashes import ALGORITHM, Hashed, hash_files
from depotserve.tree.scan.record import Record, opened_record
from depotserve.tree.scan.stopping import Stopping
from depotserve.tree.scan.tally import Tally
from depotserve.tree.scan.verdict import Answer, GoneError, Scanner, Verdict
from depotserve.tree.walk import folders, walk

if TYPE_CHECKING:
    from collections.abc import Generator, Iterator
    from pathlib import Path

    from depotserve.tree.scan.report import ScanReport
    from depotserve.tree.walk import Folder

__all__ = ["scan"]

_PLAIN = (int(Kind.FILE), int(Kind.FOLDER))
# How much a power cut can lose. A write of many verdicts costs as much as a write of one.
_FLUSH_SECONDS = 1.0
# A scanner that fails at one file may take the next; one that fails at so many in a row does not
# work, and each may have cost the time limit.
_MOST_FAILURES = 8
_AHEAD = 2  # files that wait for each worker, the one at hand among them


class _Done(NamedTuple):
    """What a worker brings back about one file: an answer, or a finding."""

    entry: Entry
    answer: Answer | None = None
    digest: bytes = b""  # of what the scanner was given; b"" if that is not known
    finding: Finding = Finding(Found.CHANGED, b"")
    read: int = 0  # bytes that progress was told of


def scan(
    root: Path,
    scanner: Scanner,
    *,
    state: Path,
    fresh: bool = False,
    progress: Progress | None = None,
    accepting: Accepting | None = None,
) -> ScanReport:
    """Have every file beneath `root` scanned, and keep each verdict in the folder `state`.

    With `fresh` nothing that was remembered counts; `accepting` is what a person has accepted. A
    scanner that fails half-way is told by the report's `trouble`; what it said until then is kept,
    as it is when this is interrupted. Raises SurroundingsError if the root cannot be listed, the
    record cannot be used, or the scanner cannot be asked at all (GoneError).
    """
    shown = progress or Silent()
    files, size = _count(root)
    began = _now()
    version = scanner.version(Stopping())
    is_kept = scanner.is_dated(version)
    with opened_record(state, scanner.way, version) as record:
        shown.begin("scanning", files, size)
        tally = Tally(accepting or Accepting())
        job = _Job(root, scanner, record if is_kept else None, shown, tally)
        job.work(state, fresh=fresh)
    report = tally.report(version, began, files=files, trouble=job.trouble)
    return attrs.evolve(report, is_kept=is_kept)


def _count(root: Path) -> tuple[int, int]:
    """Count files and bytes, so that the time that is left can be told."""
    files = size = 0
    for entry in walk(root):
        if isinstance(entry, Entry) and entry.kind is Kind.FILE:
            files += 1
            size += entry.size
    return files, size


def _now() -> str:
    return datetime.now(timezone.utc).strftime("%Y-%m-%dT%H:%M:%SZ")


class _Meter:
    """Counts the bytes read of one file, and passes each count on to the caller's thread."""

    def __init__(self, told: queue.SimpleQueue[int]) -> None:
        self.count, self._told = 0, told

    def __call__(self, size: int) -> None:
        self.count += size
        self._told.put(size)


class _Job:
    """One scan under way; `_ask` alone runs in workers, the rest in the caller's thread."""

    def __init__(
        self,
        root: Path,
        scanner: Scanner,
        record: Record | None,
        progress: Progress,
        tally: Tally,
    ) -> None:
        self._root, self._scanner = root, scanner
        self._record, self._progress = record, progress
        self._stop = Stopping()
        self._flushed = time.monotonic()
        self._running: set[Future[_Done]] = set()
        self._read: queue.SimpleQueue[int] = queue.SimpleQueue()  # bytes, told by the workers
        self._tally = tally
        self.trouble = ""

    def work(self, state: Path, *, fresh: bool) -> None:
        """Scan everything, or until the scanner is gone; what is known by then is kept."""
        with ThreadPoolExecutor(self._scanner.at_once) as pool:
            try:
                self._scan_all(pool, state, fresh=fresh)
            except GoneError as error:
                self.trouble = str(error)
            finally:
                self._end()

    def _scan_all(self, pool: ThreadPoolExecutor, state: Path, *, fresh: bool) -> None:
        with contextlib.closing(self._hashed(state, fresh=fresh)) as files:
            for hashed in files:
                if self._is_settled(hashed, fresh=fresh):
                    continue
                while len(self._running) >= _AHEAD * self._scanner.at_once:
                    self._settle()
                self._running.add(pool.submit(self._ask, hashed))
        while self._running:
            self._settle()

    def _hashed(self, state: Path, *, fresh: bool) -> Generator[Hashed, None, None]:
        """Give the files with their digests; where nothing is remembered, without."""
        if self._record is None:
            entries = (entry for folder in self._folders() for entry in folder.entries)
            files = (entry for entry in entries if entry.kind is Kind.FILE)
            return (Hashed(entry, {}) for entry in files if self._is_taken(entry))
        return hash_files(self._root, self._folders(), self._is_taken, state, fresh=fresh)

    def _folders(self) -> Iterator[Folder]:
        """Yield all folders; count or report whatever is no file."""
        for folder in folders(self._root):
            for trouble in folder.troubles:
                self._tally.note(Finding(Found.UNREADABLE, trouble.path, trouble.why))
            for name, (kind, *_) in folder.states.items():
                if kind not in _PLAIN:
                    self._pass_over(look_at_odd(folder.prefix + name, Kind(kind), self._root))
            yield folder

    def _pass_over(self, finding: Finding) -> None:
        """Report a link or a special file; what a link within the tree leads to is scanned."""
        if finding.kind is Found.LINK:
            self._tally.links += 1
        else:
            self._tally.note(finding)

    def _is_taken(self, entry: Entry) -> bool:
        largest = self._scanner.largest
        if largest is None or entry.size <= largest:
            return True
        detail = f"{entry.size} bytes, the scanner takes {largest}"
        self._miss(entry, Finding(Found.NOT_SCANNED, entry.path, detail))
        return False

    def _is_settled(self, hashed: Hashed, *, fresh: bool) -> bool:
        """Settle a file that needs no scanner: one that is remembered, or cannot be read."""
        entry = hashed.entry
        if hashed.changed or hashed.wrong:
            kind = Found.CHANGED if hashed.changed else Found.UNREADABLE
            self._miss(entry, Finding(kind, entry.path, hashed.wrong))
            return True
        if self._record is None or fresh:
            return False
        answer = self._record.find(hashed.digests[ALGORITHM], entry.size)
        if answer is None:
            return False
        self._tally.remember(entry, answer)
        self._progress.step(1, entry.size)
        return True

    def _miss(self, entry: Entry, finding: Finding) -> None:
        self._tally.miss(entry, finding)
        self._progress.step(1, entry.size)

    def _ask(self, hashed: Hashed) -> _Done:
        """Have one file scanned. Raises GoneError and StoppedError."""
        entry, meter = hashed.entry, _Meter(self._read)
        try:
            answer, digest = self._answer(hashed, meter)
        except ChangedError:
            finding = Finding(Found.CHANGED, entry.path)
        except UnreadableError as error:
            finding = Finding(Found.UNREADABLE, entry.path, str(error))
        else:
            return _Done(entry, answer, digest, read=meter.count)
        return _Done(entry, finding=finding, read=meter.count)

    def _answer(self, hashed: Hashed, meter: _Meter) -> tuple[Answer, bytes]:
        """Give the scanner's answer, and the digest of what it was asked about if that is sure."""
        with opened(self._root, hashed.entry, meter) as content:
            answer = self._scanner.ask(content, self._stop)
            try:
                content.check_unchanged()
                return answer, content.vouched(hashed.digests.get(ALGORITHM, b""))
            except (ChangedError, UnreadableError):
                # A scanner may move away what it finds; that it found it must not be lost.
                if answer.verdict is not Verdict.INFECTED:
                    raise
                return answer, b""

    def _settle(self) -> None:
        """Wait until something is done, but no longer than what is kept may wait for the disk.

        Raises GoneError.
        """
        done, _ = wait(self._running, timeout=_FLUSH_SECONDS, return_when=FIRST_COMPLETED)
        for future in done:
            self._running.discard(future)
            self._take(future.result())
            if self._tally.failures >= _MOST_FAILURES:
                raise GoneError(f"the scanner failed at {_MOST_FAILURES} files in a row")
        while not self._read.empty():
            self._progress.step(0, self._read.get())
        if self._record and time.monotonic() - self._flushed >= _FLUSH_SECONDS:
            self._record.flush()
            self._flushed = time.monotonic()

    def _take(self, done: _Done) -> None:
        if done.answer is None:
            self._tally.miss(done.entry, done.finding)
        else:
            self._tally.answer(done.entry, done.answer)
            if self._record and done.digest:
                self._record.keep(done.digest, done.entry.size, done.answer, _now())
        self._progress.step(1, done.entry.size - done.read)

    def _end(self) -> None:
        """Cut short what is under way, and keep what was done by then."""
        self._stop.stop()
        wait(self._running)
        for future in self._running:
            if future.exception() is None:
                self._take(future.result())
        if self._record:
            self._record.flush()
