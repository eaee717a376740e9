"""Lines 1 and 2: one large file from the page cache, plain and over TLS."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING

from content import MIB
from figures import Case
from stage import BARE, STARLETTE, STOCK, Stage
from summary import compare, figures_of, measure
from transfer import split, transfer

if TYPE_CHECKING:
    from collections.abc import Iterator

    from figures import Sample
    from servers import Subject

__all__ = ["plain", "tls"]

_CONNECTIONS = (1, 8)
# Reference -> the target, and the part of the file that is fetched from it: the slow ones would
# take most of the benchmark's time.
_PLAIN: dict[str, tuple[str | None, float]] = {BARE: (">= 0.95", 1)}
_TLS: dict[str, tuple[str | None, float]] = {
    BARE: (">= 0.90", 1),
    STOCK: (">= 8", 1 / 8),
    STARLETTE: (None, 1 / 8),
}

_QUICK = 2  # references in a quick run


def plain(stage: Stage) -> Iterator[Case]:
    """Compare with bare sockets and `sendfile`."""
    return _cases(stage, 1, _PLAIN, tls=False)


def tls(stage: Stage) -> Iterator[Case]:
    """Compare with bare TLS sockets, and with what the libraries' file routes do."""
    return _cases(stage, 2, _TLS, tls=True)


def _cases(
    stage: Stage, line: int, references: dict[str, tuple[str | None, float]], *, tls: bool
) -> Iterator[Case]:
    if stage.quick:
        references = dict(list(references.items())[:_QUICK])
    ours = stage.depots(tls=tls)
    others = [stage.reference(name, tls=tls) for name in references]
    stage.content.warm(stage.large)
    stage.check([*ours, *others], stage.large)
    notes = stage.agreed([*ours, *others]) if tls else []
    parts = {subject.name: part for subject, (_, part) in zip(others, references.values())}
    size = f"{stage.large_bytes // MIB} MiB"
    for count in _CONNECTIONS:
        subjects = [*ours, *others]
        samples = measure(subjects, stage.rounds, partial(_fetch, stage, parts, count))
        checks = compare(subjects, samples, [target for target, _ in references.values()])
        way = "TLS" if tls else "plain"
        work = f"{size}, {way}, {count} connection{'s' if count > 1 else ''}"
        yield Case(line, work, figures_of(subjects, samples, "GiB"), checks, notes)


def _fetch(stage: Stage, parts: dict[str, float], count: int, subject: Subject) -> Sample:
    length = int(stage.large_bytes * parts.get(subject.name, 1))
    return transfer(subject, stage.large, split(length, count), stage.small)
