"""Run `depotserve tree check` and hold what it found as values."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

import attrs
import harness

if TYPE_CHECKING:
    from pathlib import Path


@attrs.frozen
class Checked:
    """One run's status and its JSON document."""

    status: int
    document: dict[str, Any]

    @property
    def faults(self) -> set[tuple[str, str]]:
        """Give kind and path of every fault."""
        return {(one["kind"], one["path"]) for one in self.document["findings"] if one["fault"]}

    @property
    def kinds(self) -> set[str]:
        """Give the kinds of all findings, information too."""
        return {one["kind"] for one in self.document["findings"]}

    def details(self, kind: str) -> dict[str, str]:
        """Give the details of the findings of a kind by their paths."""
        found = self.document["findings"]
        return {one["path"]: one["detail"] or "" for one in found if one["kind"] == kind}

    def marks(self) -> dict[str, str]:
        """Give each file's mark."""
        return {one["path"]: one["mark"] for one in self.document["entries"]}


def check(root: Path, state: Path, *options: str | Path) -> Checked:
    """Check a tree."""
    done = harness.run("tree", "check", root, "--state", state, "--json", *options)
    assert done.returncode in (0, 1), done.stderr.decode()
    document = json.loads(done.stdout)
    assert document["status"] == done.returncode
    return Checked(done.returncode, document)
