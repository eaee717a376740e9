"""Every file through a malware scanner, and what it said, kept by digest."""

from __future__ import annotations

from depotserve.tree.scan.command import Command, parse_command
from depotserve.tree.scan.daemon import Daemon, parse_address
from depotserve.tree.scan.job import scan
from depotserve.tree.scan.report import ScanReport
from depotserve.tree.scan.settings import Settings, read_settings
from depotserve.tree.scan.verdict import GoneError, Scanner, Version

__all__ = [
    "Command",
    "Daemon",
    "GoneError",
    "ScanReport",
    "Scanner",
    "Settings",
    "Version",
    "parse_address",
    "parse_command",
    "read_settings",
    "scan",
]
