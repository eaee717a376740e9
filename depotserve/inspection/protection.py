"""What serves and protects less than it could."""

from __future__ import annotations

import contextlib
from datetime import datetime, timezone
from typing import TYPE_CHECKING

from depotserve import accounts, clock, config
from depotserve.errors import DepotError
from depotserve.inspection.finding import caution, fault
from depotserve.process.cautions import cautions, overdue

if TYPE_CHECKING:
    from collections.abc import Iterator

    from depotserve.inspection.finding import Finding
    from depotserve.inspection.scene import Scene

__all__ = ["look", "look_at_hidden_names"]


def look(scene: Scene) -> Iterator[Finding]:
    """Give what the depot warns of at each start."""
    apr1: tuple[str, ...] = ()
    with contextlib.suppress(DepotError):  # which the look at the accounts has named
        apr1 = tuple(accounts.read(scene.home).apr1_users)
    for one in cautions(scene.settings, scene.settings.listeners, apr1):
        yield caution("protection", one.text, one.advice)
    day = clock.read(scene.home, datetime.fromtimestamp(scene.now, timezone.utc)).believed.date()
    for one in overdue(scene.settings.listeners, day):
        yield fault("protection", one.text, one.advice)


def look_at_hidden_names(scene: Scene) -> Iterator[Finding]:
    """Name defaults that a list in the settings, which replaces them, leaves out."""
    hidden = scene.settings.never_serve
    missing = [name for name in config.DEFAULT_NEVER_SERVE if name not in hidden]
    if missing:
        text = f"leaves out of the defaults: {', '.join(missing)}"
        yield caution("never_serve", text, "add them to never_serve in depot.yaml")
