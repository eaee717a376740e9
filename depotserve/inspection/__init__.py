"""Look a home over: what serves well, what protects less than it could, what is wrong."""

from __future__ import annotations

from depotserve.inspection.finding import Finding, Grade
from depotserve.inspection.looks import inspect

__all__ = ["Finding", "Grade", "inspect"]
