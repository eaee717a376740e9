"""What tests of `depotserve inspect` share: findings as rows, and the eyes of other users."""

from __future__ import annotations

import os
import time
from datetime import datetime, timezone
from typing import TYPE_CHECKING

import harness
import pytest

from depotserve import clock
from depotserve.home import Home
from depotserve.inspection import Finding, inspect

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

SERVICE = 4321  # a user and group of no name, as a service's may be in a container
OTHER = 4322

only_root = pytest.mark.skipif(os.geteuid() != 0, reason="only root may become another user")


def findings(home: Path, *, now: float | None = None) -> list[Finding]:
    """Look a home over in this process; another time than now is one that was accepted."""
    if now is not None:
        clock.accept(Home(home), datetime.fromtimestamp(now, timezone.utc))
    return inspect(Home(home), now=time.time() if now is None else now)


def unsound(home: Path, *, now: float | None = None) -> list[tuple[str, str, str]]:
    """Give grade, topic and text of all that is not fine; each says what to do."""
    return rows([one for one in findings(home, now=now) if one.grade.value != "fine"])


def rows(found: list[Finding]) -> list[tuple[str, str, str]]:
    """Give grade, topic and text of each finding; there is advice with each that is not fine."""
    for one in found:
        assert bool(one.advice) == (one.grade.value != "fine"), one
    return [(one.grade.value, one.topic, one.text) for one in found]


def said(home: Path, status: int, *, through: Sequence[str] = ()) -> list[dict[str, str]]:
    """Run the command and give its findings; the status must be as said."""
    done = harness.run("inspect", "--home", home, "--json", through=through)
    assert (done.returncode, done.stderr) == (status, b""), done.stdout
    found: list[dict[str, str]] = harness.json_of(done.stdout)["findings"]
    for row in found:
        assert bool(row["advice"]) == (row["grade"] != "fine"), row
    return found


def not_fine(found: list[dict[str, str]]) -> list[tuple[str, str, str]]:
    """Give grade, topic and text of all that is not fine."""
    return [(r["grade"], r["topic"], r["text"]) for r in found if r["grade"] != "fine"]


def as_user(uid: int) -> list[str]:
    """Give what, put before a command, runs it as another user."""
    user = ["--reuid", str(uid), "--regid", str(uid), "--clear-groups"]
    through = [harness.need("setpriv"), *user]
    if harness.run("--version", through=through).returncode:
        pytest.skip("another user may not run this Python and these sources")
    return through


def in_own_mounts(script: str) -> list[str]:
    """Give what, put before a command, runs it where `script` has mounted something."""
    if os.geteuid() != 0:
        pytest.skip("only root can make a mount namespace here")
    return [harness.need("unshare"), "--mount", "sh", "-ec", f'{script}\nexec "$@"', "sh"]
