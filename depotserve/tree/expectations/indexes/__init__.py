"""Indexes as repositories and registries publish them, each by the standard of its kind."""

from __future__ import annotations

from depotserve.tree.expectations.indexes import debian, metalink, oci, rpm_md, simple_index

__all__ = ["debian", "metalink", "oci", "rpm_md", "simple_index"]
