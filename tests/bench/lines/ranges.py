"""Line 5: ranges of 64 KiB at random places of a sparse file of 100 GiB."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING

from content import GIB, KIB, SPARSE_BYTES
from figures import Case, Check, check_ratio
from stage import Stage, alternate
from summary import cpus, summed_up
from wrk import Ranges, load

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from figures import Sample

__all__ = ["cases"]

_SIZE = 64 * KIB
_CONNECTIONS = 16
_PLACES = 1024  # 64 MiB that the page cache holds
_WHOLE = "a whole file of 64 KiB"
_ANYWHERE = "anywhere, not in the page cache"
_SPREAD = "1,024 places over all of it, in the page cache"
_FIRST = "within 64 MiB at offset 0"
_FAR = "within 64 MiB at offset 90 GiB"
_WORKS: dict[str, Ranges | None] = {
    _WHOLE: None,
    _ANYWHERE: Ranges(_SIZE, 0, _SIZE, SPARSE_BYTES // _SIZE),
    _SPREAD: Ranges(_SIZE, 0, SPARSE_BYTES // _PLACES, _PLACES),
    _FIRST: Ranges(_SIZE, 0, _SIZE, _PLACES),
    _FAR: Ranges(_SIZE, 90 * GIB, _SIZE, _PLACES),
}


def cases(stage: Stage) -> Iterator[Case]:
    """Compare the server's processor time for a request, without TLS, which would hide it."""
    subject = stage.depot().subject(tls=False)
    whole, sparse = stage.content.small(_SIZE), stage.content.sparse()
    path = stage.content.folder / sparse
    stage.check([subject], whole)
    stage.check([subject], sparse)

    def one(work: str) -> Sample:
        ranges = _WORKS[work]
        if ranges is None:
            return load(subject, whole, _CONNECTIONS, stage.seconds)
        _forget(str(path))
        if work != _ANYWHERE:
            _read(str(path), ranges)
        return load(subject, sparse, _CONNECTIONS, stage.seconds, ranges)

    samples = dict(zip(_WORKS, alternate(list(_WORKS), stage.rounds, one)))
    figures = {work: summed_up(found, "requests") for work, found in samples.items()}
    work = f"64 KiB of {SPARSE_BYTES // GIB} GiB, plain, server CPU a request"
    yield Case(5, work, figures, _checks(samples))


def _checks(samples: Mapping[str, Sequence[Sample]]) -> list[Check]:
    cost = {work: cpus(found) for work, found in samples.items()}
    return [
        check_ratio("anywhere to a whole file", cost[_ANYWHERE], cost[_WHOLE], "<= 1.3"),
        check_ratio(
            "anywhere, in the cache, to a whole file", cost[_SPREAD], cost[_WHOLE], "<= 1.3"
        ),
        check_ratio("offset 90 GiB to offset 0", cost[_FAR], cost[_FIRST], "<= 1.15"),
    ]


def _forget(path: str) -> None:
    with open(path, "rb") as file:
        os.posix_fadvise(file.fileno(), 0, 0, os.POSIX_FADV_DONTNEED)


def _read(path: str, ranges: Ranges) -> None:
    buffer = bytearray(ranges.size)
    with open(path, "rb", buffering=0) as file:
        for number in range(ranges.count):
            os.preadv(file.fileno(), [buffer], ranges.first + number * ranges.step)
