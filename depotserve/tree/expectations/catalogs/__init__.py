"""Catalogs in JSON or XML whose form no standard fixes: guessed, or read by a person's rules."""

from __future__ import annotations

from depotserve.tree.expectations.catalogs.catalog import Standing, dialect_of, standing
from depotserve.tree.expectations.catalogs.rules import Rules, load_rules

__all__ = ["Rules", "Standing", "dialect_of", "load_rules", "standing"]
