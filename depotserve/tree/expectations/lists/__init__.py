"""Lists of files and their digests, line by line: checksum lists, sidecar files, bags."""

from __future__ import annotations

from depotserve.tree.expectations.lists import bag, checksum_lines

__all__ = ["bag", "checksum_lines"]
