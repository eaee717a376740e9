"""Figures: what one measurement gave, medians with ranges, and targets that they meet or not."""

from __future__ import annotations

import operator
import statistics
from typing import TYPE_CHECKING, Callable

import attrs

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

__all__ = ["Case", "Check", "Sample", "Spread", "check_ratio", "spread"]

_OPERATORS: dict[str, Callable[[float, float], bool]] = {">=": operator.ge, "<=": operator.le}


@attrs.frozen
class Sample:
    """One measurement of one subject: work done, in requests or GiB, and what it cost."""

    work: float
    seconds: float
    server_cpu: float  # seconds of processor time, user and system, all of its processes
    client_cpu: float
    faults: int = 0  # answers or connections that were not as they should be

    @property
    def rate(self) -> float:
        """Give the work done a second."""
        return self.work / self.seconds

    @property
    def cpu(self) -> float:
        """Give the server's processor seconds for a unit of work."""
        return self.server_cpu / self.work

    @property
    def client_share(self) -> float:
        """Give the share of one core that the client was busy; 1.0 is one whole core."""
        return self.client_cpu / self.seconds


@attrs.frozen
class Spread:
    """The median of some rounds, and the range that they lie in."""

    median: float
    low: float
    high: float

    def __str__(self) -> str:
        """Show the median and, where there were several rounds, the range."""
        if self.low == self.high:
            return _short(self.median)
        return f"{_short(self.median)} ({_short(self.low)} to {_short(self.high)})"


def _short(value: float) -> str:
    """Show three significant digits, and whole numbers from a hundred on."""
    return f"{value:,.0f}" if abs(value) >= 100 else f"{value:.3g}"


def spread(values: Iterable[float]) -> Spread:
    """Take the median and the range of at least one value."""
    found = list(values)
    return Spread(statistics.median(found), min(found), max(found))


@attrs.frozen
class Check:
    """One cell of the table: a value and what it must be, such as `>= 0.95`; None: no target."""

    what: str
    value: Spread
    target: str | None = None

    @property
    def reached(self) -> bool | None:
        """Tell whether the median is as it must be; None without a target."""
        if self.target is None:
            return None
        sign, bound = self.target.split()
        return _OPERATORS[sign](self.value.median, float(bound))


@attrs.frozen
class Case:
    """One line's result for one work: figures by subject and by name, checks, remarks."""

    line: int
    work: str
    figures: dict[str, dict[str, Spread]]
    checks: list[Check]
    notes: list[str] = attrs.Factory(list)


def check_ratio(
    what: str, ours: Sequence[float], theirs: Sequence[float], target: str | None = None
) -> Check:
    """Compare round by round, so that what slowed a whole round down counts for both."""
    return Check(what, spread(one / other for one, other in zip(ours, theirs)), target)
