"""What came of scanning a tree."""

from __future__ import annotations

from typing import TYPE_CHECKING

import attrs

if TYPE_CHECKING:
    from depotserve.tree.acceptance import Rule
    from depotserve.tree.finding import Finding, Noted
    from depotserve.tree.scan.verdict import Version

__all__ = ["ScanReport"]


@attrs.frozen
class ScanReport:
    """Every file is counted once: scanned, remembered or not scanned; or it is still left."""

    version: Version
    time: str  # of the beginning: RFC 3339, UTC
    files: int  # regular files in the tree
    scanned: int  # asked about now, and answered
    remembered: int  # answered before, by the same version for the same bytes
    infected: int  # of both
    not_scanned: int  # each is a finding
    links: int  # within the tree: not followed, and what they lead to is scanned in its place
    noted: tuple[Noted, ...]  # worst first, then by path
    rules: tuple[Rule, ...] = ()  # by which findings may be accepted
    trouble: str = ""  # why the scanner could not be asked of every file; "" if it could
    is_kept: bool = True  # whether verdicts are remembered for the next time

    @property
    def findings(self) -> tuple[Finding, ...]:
        """Give all findings, accepted or not."""
        return tuple(one.finding for one in self.noted)

    @property
    def faults(self) -> tuple[Finding, ...]:
        """Give the findings that are faults and that no rule accepts."""
        return tuple(
            one.finding for one in self.noted if one.finding.kind.is_fault and one.rule is None
        )

    @property
    def left(self) -> int:
        """Count the files that nobody was asked about, because the scan ended early."""
        return self.files - self.scanned - self.remembered - self.not_scanned

    @property
    def status(self) -> int:
        """Give the exit status: 2 if the scanner could not be asked, 1 if not all is in order."""
        if self.trouble:
            return 2
        return int(not self.files or bool(self.faults))
