"""The probe: looks at any depot over HTTP(S) as its clients do, and says why they fail."""

from __future__ import annotations

from depotserve.probe.address import Address, parse_address
from depotserve.probe.finding import Finding, State, Where
from depotserve.probe.limits import Limits
from depotserve.probe.plan import CHECKS, Report, probe
from depotserve.probe.trust import Trust, load_trust
from depotserve.probe.visit import Wish

__all__ = [
    "CHECKS",
    "Address",
    "Finding",
    "Limits",
    "Report",
    "State",
    "Trust",
    "Where",
    "Wish",
    "load_trust",
    "parse_address",
    "probe",
]
