"""What came of scanning a tree."""

from __future__ import annotations

from typing import TYPE_CHECKING

import attrs

if TYPE_CHECKING:
    from depotserve.tree.finding import Finding
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
    links: int  # not followed
    special: int  # FIFOs, sockets, devices: never opened
    findings: tuple[Finding, ...]  # worst first, then by path
    trouble: str = ""  # why the scanner could not be asked of every file; "" if it could
    is_kept: bool = True  # whether verdicts are remembered for the next time

    @property
    def left(self) -> int:
        """Count the files that nobody was asked about, because the scan ended early."""
        return self.files - self.scanned - self.remembered - self.not_scanned

    @property
    def status(self) -> int:
        """Give the exit status: 2 if the scanner could not be asked, 1 if not all is clean."""
        if self.trouble:
            return 2
        return int(not self.files or any(finding.kind.is_fault for finding in self.findings))
