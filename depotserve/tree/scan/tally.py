"""The count of a scan: what became of each file, and what was found."""

from __future__ import annotations

from typing import TYPE_CHECKING

from depotserve.tree.finding import Finding, Kind, Noted
from depotserve.tree.scan.report import ScanReport
from depotserve.tree.scan.verdict import Answer, Verdict, Version

if TYPE_CHECKING:
    from depotserve.tree.acceptance import Accepting
    from depotserve.tree.entry import Entry

__all__ = ["Tally"]

_RANK = {kind: rank for rank, kind in enumerate(Kind)}


class Tally:
    """Counts files as they are done."""

    def __init__(self, accepting: Accepting) -> None:
        self.links = 0  # within the tree
        self.failures = 0  # files at which the scanner failed, since it last did not
        self._accepting = accepting
        self._noted: list[Noted] = []
        self._scanned = self._remembered = self._not_scanned = self._failed = 0

    def note(self, finding: Finding, size: int | None = None) -> None:
        """Report what is found; `size` is of the file, None for what is no file."""
        self._noted.append(Noted(finding, self._accepting.rule_for(finding, size)))

    def miss(self, entry: Entry, finding: Finding) -> None:
        """Count a file without a verdict, and report why."""
        self._not_scanned += 1
        self.note(finding, entry.size)

    def remember(self, entry: Entry, answer: Answer) -> None:
        """Count a file by its verdict from before."""
        self._remembered += 1
        self._report_infected(entry, answer)

    def answer(self, entry: Entry, answer: Answer) -> None:
        """Count a file by what the scanner said of it."""
        is_failure = answer.verdict is Verdict.NO_ANSWER
        self.failures = self.failures + 1 if is_failure else 0
        self._failed += is_failure
        if is_failure or answer.verdict is Verdict.NOT_TAKEN:
            self.miss(entry, Finding(Kind.NOT_SCANNED, entry.path, answer.text))
            return
        self._scanned += 1
        self._report_infected(entry, answer)

    def report(self, version: Version, time: str, *, files: int, trouble: str) -> ScanReport:
        """Sum up; `trouble` is why the scan ended early, if it did."""
        noted = sorted(self._noted, key=lambda one: (_RANK[one.finding.kind], one.finding.path))
        if self._failed and not trouble:
            trouble = f"the scanner failed at {self._failed} of {files} files"
        return ScanReport(
            version=version,
            time=time,
            # The tree may have grown since it was counted.
            files=max(files, self._scanned + self._remembered + self._not_scanned),
            scanned=self._scanned,
            remembered=self._remembered,
            infected=sum(one.finding.kind is Kind.INFECTED for one in noted),
            not_scanned=self._not_scanned,
            links=self.links,
            noted=tuple(noted),
            rules=self._accepting.rules,
            trouble=trouble,
        )

    def _report_infected(self, entry: Entry, answer: Answer) -> None:
        if answer.verdict is Verdict.INFECTED:
            self.note(Finding(Kind.INFECTED, entry.path, answer.text), entry.size)
