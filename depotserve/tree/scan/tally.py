"""The count of a scan: what became of each file, and what was found."""

from __future__ import annotations

from typing import TYPE_CHECKING

from depotserve.tree.finding import Finding, Kind
from depotserve.tree.scan.report import ScanReport
from depotserve.tree.scan.verdict import Answer, Verdict, Version

if TYPE_CHECKING:
    from depotserve.tree.entry import Entry

__all__ = ["Tally"]

_RANK = {kind: rank for rank, kind in enumerate(Kind)}


class Tally:
    """Counts files as they are done."""

    def __init__(self) -> None:
        self.links = self.special = 0
        self.failures = 0  # files at which the scanner failed, since it last did not
        self._findings: list[Finding] = []
        self._scanned = self._remembered = self._not_scanned = self._failed = 0

    def note(self, finding: Finding) -> None:
        """Report what is no file that could be counted."""
        self._findings.append(finding)

    def miss(self, finding: Finding) -> None:
        """Count a file without a verdict, and report why."""
        self._not_scanned += 1
        self._findings.append(finding)

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
            self.miss(Finding(Kind.NOT_SCANNED, entry.path, answer.text))
            return
        self._scanned += 1
        self._report_infected(entry, answer)

    def report(self, version: Version, time: str, *, files: int, trouble: str) -> ScanReport:
        """Sum up; `trouble` is why the scan ended early, if it did."""
        findings = sorted(self._findings, key=lambda one: (_RANK[one.kind], one.path))
        if self._failed and not trouble:
            trouble = f"the scanner failed at {self._failed} of {files} files"
        return ScanReport(
            version=version,
            time=time,
            # The tree may have grown since it was counted.
            files=max(files, self._scanned + self._remembered + self._not_scanned),
            scanned=self._scanned,
            remembered=self._remembered,
            infected=sum(one.kind is Kind.INFECTED for one in findings),
            not_scanned=self._not_scanned,
            links=self.links,
            special=self.special,
            findings=tuple(findings),
            trouble=trouble,
        )

    def _report_infected(self, entry: Entry, answer: Answer) -> None:
        if answer.verdict is Verdict.INFECTED:
            self._findings.append(Finding(Kind.INFECTED, entry.path, answer.text))
