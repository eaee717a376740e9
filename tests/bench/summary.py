"""Subjects measured in alternation, and their figures summed up."""

from __future__ import annotations

from typing import TYPE_CHECKING, Callable

from figures import Check, Sample, Spread, check_ratio, spread
from processes import forget_peak, peak_mib
from stage import alternate

if TYPE_CHECKING:
    from collections.abc import Sequence

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
    subjects: Sequence[Subject],
    samples: Sequence[Sequence[Sample]],
    targets: Sequence[str | None],
) -> list[Check]:
    """Compare the rate of each of ours, and without a target the first's cost, with the others'.

    The others, as many as there are targets, stand at the end of all. A neighbour on the machine
    takes from rates, and little from costs.
    """
    first = len(subjects) - len(targets)
    checks = []
    for other, found, target in zip(subjects[first:], samples[first:], targets):
        for mine, own in zip(subjects[:first], samples[:first]):
            what = f"{mine.name}, to {other.name}"
            checks.append(check_ratio(what, rates(own), rates(found), target))
        checks.append(check_ratio(f"server CPU, to {other.name}", cpus(samples[0]), cpus(found)))
    return checks


def rates(samples: Sequence[Sample]) -> list[float]:
    """Give the rate of each round."""
    return [sample.rate for sample in samples]


def cpus(samples: Sequence[Sample]) -> list[float]:
    """Give the server's processor time for a unit of work, of each round."""
    return [sample.cpu for sample in samples]
