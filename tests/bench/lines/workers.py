"""Line 12: the same work by 1, 2, 4 and 8 workers, and how connections spread on two."""

from __future__ import annotations

import contextlib
from functools import partial
from typing import TYPE_CHECKING

from clients import ask, connect
from figures import Case, Check, check_ratio, spread
from processes import children, descriptors, resident_kib
from stage import Stage, alternate
from transfer import split, transfer
from wrk import load

if TYPE_CHECKING:
    from collections.abc import Iterator

    from servers import Depot

__all__ = ["cost", "shares"]

_WORKERS, _QUICK = (1, 2, 4, 8), (1, 4)
_CONNECTIONS = 64
_READERS = 4
_REQUESTS = 10_000
_SPREAD = 200  # connections
_ADDRESSES = 20
_Cost = tuple[float, float]  # server CPU seconds a request and a GiB


def cost(stage: Stage) -> Iterator[Case]:
    """Compare the processor time that a fixed amount of small and large work takes."""
    counts = _QUICK if stage.quick else _WORKERS
    with contextlib.ExitStack() as stack:
        depots = [stack.enter_context(stage.fresh(count)) for count in counts]
        stage.content.warm(stage.large)
        samples = alternate(depots, stage.rounds, partial(_cost, stage))
        memory = [resident_kib(depot.process.pid) / 1024 for depot in depots]
    totals = [[_total(stage, one) for one in found] for found in samples]
    figures = {
        f"workers: {count}": {
            "CPU s for all": spread(total),
            "CPU s per 1,000 requests": spread(small * 1000 for small, _ in found),
            "CPU s per GiB": spread(large for _, large in found),
            "memory MiB": spread([weight]),
        }
        for count, total, found, weight in zip(counts, totals, samples, memory)
    }
    rounds = list(zip(*totals))
    check = check_ratio(
        "most to least", [max(one) for one in rounds], [min(one) for one in rounds], "<= 1.15"
    )
    numbers = ", ".join(map(str, counts))
    work = f"{_REQUESTS:,} requests of 4 KiB and {_gib(stage):g} GiB, TLS, {numbers} workers"
    yield Case(12, work, figures, [check])


def _cost(stage: Stage, depot: Depot) -> _Cost:
    subject = depot.subject(tls=True)
    small = load(subject, stage.small, _CONNECTIONS, stage.seconds)
    spans = split(stage.large_bytes, _READERS)
    return small.cpu, transfer(subject, stage.large, spans, stage.small).cpu


def _gib(stage: Stage) -> float:
    return stage.large_bytes / (1 << 30)


def _total(stage: Stage, one: _Cost) -> float:
    return one[0] * _REQUESTS + one[1] * _gib(stage)


def shares(stage: Stage) -> Iterator[Case]:
    """Count each worker's connections by its descriptors."""
    # All stay open to the end: one that is closing would still count in the next round.
    with stage.fresh(2) as depot, contextlib.ExitStack() as stack:
        found = [_share(stage, depot, stack) for _ in range(stage.rounds)]
    figures = {"the busier worker": {"share of connections": spread(1 - one for one in found)}}
    check = Check("share of the other", spread(found), ">= 0.35")
    yield Case(12, f"{_SPREAD} TLS connections on 2 workers", figures, [check])


def _share(stage: Stage, depot: Depot, stack: contextlib.ExitStack) -> float:
    workers, subject = children(depot.process.pid), depot.subject(tls=True)
    before = [descriptors(worker) for worker in workers]
    for number in range(_SPREAD):
        source = f"127.0.3.{number % _ADDRESSES + 1}"
        ask(stack.enter_context(connect(subject, source)), subject, stage.small)
    grown = [descriptors(worker) - had for worker, had in zip(workers, before)]
    return min(grown) / sum(grown)
