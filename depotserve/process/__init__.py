"""Processes: a supervisor, its workers, their sockets, what they share, and how they are told."""

from __future__ import annotations

from depotserve.process.cautions import cautions, overdue
from depotserve.process.serve import serve

__all__ = ["cautions", "overdue", "serve"]
