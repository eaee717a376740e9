"""Probes of a test's own servers, run here, with short waits."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from stubs import PASSPHRASE, USER

from depotserve import probe
from depotserve.probe import Finding, Limits, Report, State, Trust, Wish

if TYPE_CHECKING:
    from pathlib import Path

# Long enough for a busy machine; a rest that a stub has ended long before.
LIMITS = Limits(connect=5, handshake=5, answer=5, file=5, rest=0.3, total=60)
_TRUST: dict[str, Trust] = {}


def look(url: str, ca: Path | None = None, **changes: Any) -> Report:
    """Probe a depot as ann, unless the changes to the wish say otherwise."""
    wish = Wish(
        address=probe.parse_address(url),
        trust=probe.load_trust(ca),
        **{"user": USER, "passphrase": PASSPHRASE, "seconds": 0.1, "limits": LIMITS, **changes},
    )
    return probe.probe(wish)


def faults(report: Report) -> list[str]:
    """List the names of the checks that are at fault, in their order."""
    return [one.check for one in report.findings if one.state is State.FAULT]


def of(report: Report, check: str) -> Finding:
    """Give the finding of a check."""
    (found,) = [one for one in report.findings if one.check == check]
    return found


def words(finding: Finding | None) -> str:
    """Give all that a finding says."""
    assert finding is not None
    where = finding.where.value if finding.where else ""
    return f"{finding.seen} | {finding.cause} | {where}: {finding.advice}"
