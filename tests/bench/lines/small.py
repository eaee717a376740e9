"""Lines 3 and 4: a file of 4 KiB over connections that stay, plain and over TLS."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING

from figures import Case, Sample
from stage import MEMORY, STANDARD, STARLETTE, STOCK, Stage
from summary import compare, figures_of, measure
from wrk import load

if TYPE_CHECKING:
    from collections.abc import Iterator

    from servers import Subject

__all__ = ["plain", "tls"]

_CONNECTIONS = (16, 256)
_PLAIN: dict[str, str | None] = {
    MEMORY: ">= 0.65",
    STOCK: ">= 8",
    STARLETTE: None,
    STANDARD: None,
}
_TLS: dict[str, str | None] = {MEMORY: ">= 0.65", STOCK: None, STARLETTE: None}
_QUICK = 2  # references in a quick run


def plain(stage: Stage) -> Iterator[Case]:
    """Compare with an answer from memory and with all that serve files."""
    return _cases(stage, 3, _PLAIN, tls=False)


def tls(stage: Stage) -> Iterator[Case]:
    """Compare with an answer from memory under TLS."""
    return _cases(stage, 4, _TLS, tls=True)


def _cases(
    stage: Stage, line: int, references: dict[str, str | None], *, tls: bool
) -> Iterator[Case]:
    names = list(references)[: _QUICK if stage.quick else None]
    ours = stage.depots(tls=tls)
    others = [stage.reference(name, tls=tls) for name in names]
    subjects, small = [*ours, *others], stage.small
    stage.check(subjects, small)
    notes = stage.agreed(subjects) if tls else []
    for count in _CONNECTIONS[: 1 if tls and stage.quick else None]:
        # wrk's clock runs while it connects, which takes 256 handshakes half a second and more.
        seconds = stage.seconds * 2 if tls and count > 16 else stage.seconds
        one = partial(_load, small, count, seconds)
        samples = measure(subjects, stage.rounds, one)
        checks = compare(subjects, samples, [references[name] for name in names])
        work = f"4 KiB, {'TLS' if tls else 'plain'}, {count} connections"
        yield Case(line, work, figures_of(subjects, samples, "requests"), checks, notes)


def _load(path: str, connections: int, seconds: int, subject: Subject) -> Sample:
    return load(subject, path, connections, seconds)
