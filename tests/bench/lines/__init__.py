"""The benchmark's lines, by their number in its table."""

from __future__ import annotations

from typing import TYPE_CHECKING, Callable

from lines import (
    cold,
    digests,
    folders,
    guessing,
    handshakes,
    large,
    many,
    ranges,
    second_run,
    small,
    tree,
    workers,
)

if TYPE_CHECKING:
    from collections.abc import Iterator

    from figures import Case
    from stage import Stage

__all__ = ["LINES", "NOT_IN_QUICK"]

LINES: dict[int, tuple[Callable[[Stage], Iterator[Case]], ...]] = {
    1: (large.plain,),
    2: (large.tls,),
    3: (small.plain,),
    4: (small.tls,),
    5: (ranges.cases,),
    6: (handshakes.cases,),
    7: (guessing.cases,),
    8: (folders.cases,),
    9: (tree.cases,),
    10: (many.idle, many.slow),
    11: (cold.alone, cold.beside_small),
    12: (workers.cost, workers.shares),
    13: (digests.large,),
    14: (digests.several,),
    15: (digests.small,),
    16: (second_run.cases,),
}
NOT_IN_QUICK = (9,)  # a million files take a minute to make
