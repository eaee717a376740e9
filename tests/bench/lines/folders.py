"""Line 8: folders of many names, in HTML and JSON."""

from __future__ import annotations

import os
import time
from functools import partial
from typing import TYPE_CHECKING

import attrs
from clients import connect
from figures import Case, Check, check_ratio, spread
from processes import forget_peak, peak_mib
from stage import Stage, alternate

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from servers import Subject

__all__ = ["cases"]

_SCAN = "os.scandir with stat"
_FORMS = {"HTML": "text/html", "JSON": "application/json"}
_MANY = 100_000
_COUNTS = (10_000, _MANY)


@attrs.frozen
class _Times:
    """Milliseconds to the first byte of the body and to the last; memory that it took, in MiB."""

    first: float
    last: float
    memory: float = 0.0


def cases(stage: Stage) -> Iterator[Case]:
    """Compare the time to the first byte with the time that looking at all names takes."""
    for count in _COUNTS:
        name = stage.content.many(count)
        with stage.fresh(1) as depot:
            one = partial(_one, depot.subject(tls=True), stage.content.folder / name, count)
            results = dict(zip((_SCAN, *_FORMS), alternate([_SCAN, *_FORMS], stage.rounds, one)))
        yield _case(count, results)


def _case(count: int, results: dict[str, list[_Times]]) -> Case:
    figures = {
        work: {
            "first byte ms": spread(one.first for one in found),
            "last byte ms": spread(one.last for one in found),
            "more memory at its peak MiB": spread(one.memory for one in found),
        }
        for work, found in results.items()
    }
    scans = [one.last for one in results[_SCAN]]
    checks = [
        check_ratio(
            f"first byte of {form} to {_SCAN}",
            [one.first for one in results[form]],
            scans,
            "<= 0.2",
        )
        for form in _FORMS
    ]
    if count == _MANY:
        most = max(one.memory for form in _FORMS for one in results[form])
        checks.append(Check("MiB more at the peak", spread([most]), "<= 64"))
    return Case(8, f"a folder of {count:,} names, TLS", figures, checks)


def _one(subject: Subject, folder: Path, count: int, work: str) -> _Times:
    if work == _SCAN:
        return _scan(folder, count)
    forget_peak(subject.pid)
    before = peak_mib(subject.pid)
    times = _list(subject, folder.name, count, _FORMS[work])
    return attrs.evolve(times, memory=peak_mib(subject.pid) - before)


def _scan(folder: Path, count: int) -> _Times:
    begun = time.perf_counter()
    with os.scandir(folder) as scan:
        found = sum(1 for entry in scan if entry.stat())
    taken = (time.perf_counter() - begun) * 1e3
    if found != count:
        raise RuntimeError(f"{folder.name} holds {found} names")
    return _Times(0.0, taken)


def _list(subject: Subject, name: str, count: int, form: str) -> _Times:
    """Ask for a listing; the connection is there and the passphrase known before."""
    with connect(subject) as connection:
        begun = time.perf_counter()
        connection.sendall(subject.request(f"{name}/", f"Accept: {form}", "Connection: close"))
        received = bytearray()
        while b"\r\n\r\n" not in received or received.endswith(b"\r\n\r\n"):
            received += _more(connection.recv(65536))
        first = time.perf_counter()
        pieces = [bytes(received)]
        while piece := connection.recv(65536):
            pieces.append(piece)
        last = time.perf_counter()
    body = b"".join(pieces)
    if not body.startswith(b"HTTP/1.1 200 ") or body.count(b"pump-station-") < count:
        raise RuntimeError(f"the listing of {name} lacks names")
    return _Times((first - begun) * 1e3, (last - begun) * 1e3)


def _more(data: bytes) -> bytes:
    if not data:
        raise ConnectionError("closed before a listing")
    return data
