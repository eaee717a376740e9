"""Subjects measured in alternation, and their figures summed up."""

from __future__ import annotations

from typing import TYPE_CHECKING, Callable

from figures import Check, Sample, Spread, check_ratio, spread
from processes import forget_peak, peak_mib
from stage import alternate

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from servers import Subject

__all__ = ["compare", "cpus", "figures_of", "measure", "rates", "summed_up"]


def measure(
    subjects: Sequence[Subject], rounds: int, one: Callable[[Subject], Sample]
) -> list[list[Sample]]:
    """Measure subjects in alternation, their memory's peaks beginning anew."""
    for subject in subjects:
        forget_peak(subject.pid)
    return alternate(subjects, rounds, one)


def figures_of(
    subjects: Sequence[Subject], samples: Sequence[Sequence[Sample]], unit: str
) -> dict[str, dict[str, Spread]]:
    """Sum up all rounds of each subject; the unit is GiB, or anything that is counted."""
    return {
        subject.name: {
            **summed_up(found, unit),
            "peak MiB": spread([peak_mib(subject.pid)]),
        }
        for subject, found in zip(subjects, samples)
    }


def summed_up(samples: Sequence[Sample], unit: str) -> dict[str, Spread]:
    """Sum up the rounds of one subject, without its memory."""
    many, times = (unit, 1) if unit == "GiB" else (f"1,000 {unit}", 1000)
    figures = {
        f"{unit}/s": spread(sample.rate for sample in samples),
        f"server CPU s per {many}": spread(sample.cpu * times for sample in samples),
        "server cores": spread(sample.server_cpu / sample.seconds for sample in samples),
        "client cores": spread(sample.client_share for sample in samples),
    }
    if any(sample.faults for sample in samples):
        figures["FAULTS"] = spread(sample.faults for sample in samples)
    return figures


def compare(
    others: Sequence[Subject],
    samples: Sequence[Sequence[Sample]],
    targets: Iterable[str | None],
) -> list[Check]:
    """Compare the rate, and without a target the cost, of the first samples with the last ones.

    The others' samples stand at the end of all. A neighbour on the machine takes from rates, and
    little from costs.
    """
    ours, theirs = samples[0], samples[-len(others) :]
    checks = []
    for subject, found, target in zip(others, theirs, targets):
        checks.append(check_ratio(f"to {subject.name}", rates(ours), rates(found), target))
        checks.append(check_ratio(f"server CPU, to {subject.name}", cpus(ours), cpus(found)))
    return checks


def rates(samples: Sequence[Sample]) -> list[float]:
    """Give the rate of each round."""
    return [sample.rate for sample in samples]


def cpus(samples: Sequence[Sample]) -> list[float]:
    """Give the server's processor time for a unit of work, of each round."""
    return [sample.cpu for sample in samples]
