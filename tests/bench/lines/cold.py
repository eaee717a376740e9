"""Line 11: a large file that is not in the page cache, and small requests beside it."""

from __future__ import annotations

import subprocess
import time
from functools import partial
from typing import TYPE_CHECKING

from clients import beside, connect
from content import GIB, MIB, is_cold, make_cold
from figures import Case, Sample, check_ratio, spread
from stage import Stage, alternate
from summary import rates, summed_up
from transfer import drain, split, transfer
from wrk import load

if TYPE_CHECKING:
    from collections.abc import Iterator
    from multiprocessing.synchronize import Event
    from pathlib import Path

    from servers import Subject

__all__ = ["alone", "beside_small"]

_OTHERS = 16
_TRIES = 25


def alone(stage: Stage) -> Iterator[Case]:
    """Compare with `dd` from the same disk."""
    path, small = stage.content.folder / stage.large, stage.small
    subjects = [stage.depot().subject(tls=tls) for tls in (True, False)]
    stage.check(subjects, stage.large)

    def one(subject: Subject | None) -> Sample:
        _cool(path)
        if subject is None:
            return _dd(path)
        return transfer(subject, path.name, split(stage.large_bytes, 1), small)

    samples = alternate([*subjects, None], stage.rounds, one)
    ways = ("depotserve, TLS", "depotserve, plain")
    figures = {way: summed_up(found, "GiB") for way, found in zip(ways, samples)}
    figures["dd"] = {"GiB/s": spread(rates(samples[2]))}
    checks = [
        check_ratio(f"{way}, to dd", rates(found), rates(samples[2]), ">= 0.9")
        for way, found in zip(ways, samples)
    ]
    yield Case(11, f"{stage.large_bytes // MIB} MiB, not in the page cache", figures, checks)


def _cool(path: Path) -> None:
    for _ in range(_TRIES):  # pages that are still on their way to somebody stay for a moment
        make_cold(path, everything=True)
        if is_cold(path):
            return
        time.sleep(0.2)
    raise RuntimeError("the page cache cannot be emptied here")


def _dd(path: Path) -> Sample:
    begun = time.perf_counter()
    subprocess.run(
        ["dd", f"if={path}", "of=/dev/null", "bs=1M"], check=True, stderr=subprocess.DEVNULL
    )
    taken = time.perf_counter() - begun
    return Sample(path.stat().st_size / GIB, taken, server_cpu=0.0, client_cpu=0.0)


def beside_small(stage: Stage) -> Iterator[Case]:
    """Compare other clients' small requests with and without a cold file under way."""
    path, small = stage.content.folder / stage.large, stage.small
    for subject in stage.depots(tls=True):
        stage.check([subject], small)
        job = partial(_fetch_again, subject, path)
        pairs = [_pair(stage, subject, job) for _ in range(stage.rounds)]
        without, beside_it = [one[0] for one in pairs], [one[1] for one in pairs]
        figures = {
            "without": summed_up(without, "requests"),
            "beside": summed_up(beside_it, "requests"),
            "the file": {"GiB/s": spread(one[2] for one in pairs)},
        }
        check = check_ratio("small requests' rate", rates(beside_it), rates(without), ">= 0.5")
        work = f"a cold file beside {_OTHERS} clients at 4 KiB, TLS; {subject.name}"
        yield Case(11, work, figures, [check])


def _pair(stage: Stage, subject: Subject, job: partial[float]) -> tuple[Sample, Sample, float]:
    without = load(subject, stage.small, _OTHERS, stage.seconds)
    with beside(job) as finish:
        return without, load(subject, stage.small, _OTHERS, stage.seconds), finish()


def _fetch_again(subject: Subject, path: Path, ready: Event, stop: Event) -> float:
    """Fetch a cold file again and again, a piece at a time; give the GiB/s."""
    pieces = split(path.stat().st_size, 8)
    with connect(subject) as connection:
        ready.set()
        begun, received = time.monotonic(), 0
        while not stop.is_set():
            make_cold(path, everything=False)
            for piece in pieces:
                connection.sendall(subject.request(path.name, piece.field))
                received += drain(connection)
                if stop.is_set():
                    break
        return received / GIB / (time.monotonic() - begun)
